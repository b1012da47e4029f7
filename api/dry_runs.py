"""Whether a write of many lines would be done: it is done, looked at and taken back (bar A8, AIP-163)."""

from collections.abc import Callable, Mapping
from typing import Any

from django.db import DEFAULT_DB_ALIAS, connections, transaction
from django.http import HttpResponse
from rest_framework.serializers import BaseSerializer

from api import queries
from api.queries import QueryParameter
from shop.db import write_transaction

# What a body calls the many things in it.
MANY = frozenset({"lines", "rows"})
VALIDATE_ONLY = queries.choice(
    "validate_only",
    "true: answer as if it were done, refusals too, and change nothing. The Idempotency-Key stays unused, "
    "and the ids in the answer are nobody's.",
    ("true", "false"),
)


def offered_for(body: type[BaseSerializer] | None) -> tuple[QueryParameter, ...]:
    """The parameter, for a write that takes many lines at once."""
    return (VALIDATE_ONLY,) if MANY & set(getattr(body, "_declared_fields", {})) else ()


def is_asked_for(query: Mapping[str, Any]) -> bool:
    return query.get(VALIDATE_ONLY.name) == "true"


@write_transaction
def tried(produce: Callable[[], HttpResponse]) -> HttpResponse:
    """What it answers, without what it did. What it raises is raised, as without a trial."""
    with transaction.atomic():
        response = produce()
        connection = connections[DEFAULT_DB_ALIAS]
        if connection.vendor == "postgresql":
            # Rules that are looked at when a transaction ends are part of the answer.
            connection.check_constraints()
        transaction.set_rollback(True)
    for name in ("Location", "ETag"):
        if name in response:
            del response[name]
    return response
