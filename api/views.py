"""The frame that every address of the API stands in: who asks, how often, for what, in which form.

What the methods of an address do is declared with the decorators of api/kinds.py.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar

from django.db.models import QuerySet
from django.utils import timezone
from rest_framework.exceptions import NotAcceptable
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.request import Request
from rest_framework.serializers import BaseSerializer
from rest_framework.views import APIView

from api import limits
from api.authentication import Credential
from api.operations import Operation, operation_of
from api.queries import read_query
from api.schema import OperationSchema
from api.shapes import sent, taken
from shop.actor import Actor
from shop.conf import conf


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One request, read and checked. `at`: the one look at the clock."""

    actor: Actor
    credential: Credential
    at: datetime
    query: Mapping[str, Any]
    body: Any = None


ACCEPTED = frozenset({"", "*/*", "application/*", "application/json", "application/problem+json"})


class OnlyJson(BaseContentNegotiation):
    """JSON is taken and answered; who accepts no JSON is told so (406)."""

    besides: ClassVar[frozenset[str]] = frozenset()
    """Media types of files that are answered here, in small letters."""

    def select_parser(self, request: Request, parsers: list[Any]) -> Any:
        sent = (request.content_type or "").partition(";")[0].strip().casefold()
        return next((parser for parser in parsers if parser.media_type == sent), None)

    def select_renderer(
        self, request: Request, renderers: list[Any], format_suffix: str | None = None
    ) -> tuple[Any, str]:
        for part in request.META.get("HTTP_ACCEPT", "*/*").split(","):
            wanted = part.partition(";")[0].strip().casefold()
            if wanted in ACCEPTED or wanted in self.besides:
                return renderers[0], renderers[0].media_type
        raise NotAcceptable


class ApiView(APIView):
    """One address. Only what a method declares is answered, only to whom its action is open."""

    http_method_names = ["get", "head", "post", "patch"]
    content_negotiation_class = OnlyJson
    schema = OperationSchema()

    answer: ClassVar[type[BaseSerializer]]
    """What the thing at this address looks like when it is sent."""
    one: ClassVar[str] = ""
    """Name of the address under which one such thing is found."""

    may_be_missing: ClassVar[bool] = False
    """Whether there may be nothing at an address that names no single thing."""

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Any:
        """The thing at this address as the actor sees it, locked until the transaction ends with `lock`.

        Raises NotFound, for a thing of another site as for one that does not exist.
        """
        raise NotImplementedError

    def made(self, actor: Actor, thing: Any) -> Any:
        """What was just made, with all that its answer shows."""
        return self.find(actor, **self.path_of(thing))

    def acted(self, actor: Actor, thing: Any, done: Any, **path: Any) -> Any:
        """What was just acted on, as it is afterwards: `thing` as `find` found it before, `done` what the
        act returned."""
        return self.find(actor, **path)

    def refuse_ended(self, thing: Any, at: datetime) -> None:
        """Raises what is to be said of a thing that time alone has ended, before its tag is looked at: that
        it changed since would be no help to whoever saw it before."""

    def rows(self, actor: Actor) -> QuerySet[Any]:
        """Everything of this kind that the actor sees, with what its answer shows; where many are made at
        once."""
        raise NotImplementedError

    def path_of(self, thing: Any) -> dict[str, Any]:
        """The variable parts of the thing's address."""
        return {"id": thing.pk}

    def represent(self, thing: Any) -> Any:
        """The thing as it is sent."""
        return sent(self.answer, thing)

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        self.at = timezone.now()
        operation = operation_of(getattr(self, (request.method or "").lower(), None))
        if operation is not None and operation.deprecation is not None:
            self.headers.update(operation.deprecation.headers)
        self.format_kwarg = None  # what the framework's own `initial` reads from the address; we have none
        request.accepted_renderer, request.accepted_media_type = self.perform_content_negotiation(request)
        self.perform_authentication(request)
        self._count(request)
        self.check_permissions(request)

    def read(self, request: Request, operation: Operation) -> Call:
        """The request's query and body, checked. Raises Invalid or the framework's ValidationError."""
        query = read_query(request.query_params, operation.query)
        body: Any = None
        if operation.kind == "compute":
            body = request.data
        elif operation.body is not None:
            body = taken(operation.body, request.data)
        return Call(actor=request.auth.actor, credential=request.auth, at=self.at, query=query, body=body)

    def _count(self, request: Request) -> None:
        credential = request.auth
        if credential is None:
            return
        quotas = limits.use(
            credential.id,
            credential.requests_per_minute,
            self.at,
            sites=credential.counts_at,
            site_limit=conf.site_requests_per_minute,
        )
        self.headers.update(quotas.headers)
        quotas.check()
