"""The audit as background work. It looks into every site's books, so a manager of all of them asks for it."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from inventory.models import Balance, Movement
from inventory.selectors.audit import CHECKS, first_named
from shop.actor import Actor
from shop.background.queue import queue_task
from shop.db import read_snapshot, write_transaction
from shop.errors import Forbidden
from shop.models import Site, Task
from shop.roles import Action

AUDIT_BOOKS = "audit_books"
# In all; the rest is counted. A result is kept in one row, and read on one page.
MOST_DIFFERENCES = 500


@write_transaction
def start_audit(*, actor: Actor, at: datetime) -> Task:
    """Queue an audit of all books; the actor's own that is not over yet, where there is one.

    Raises Forbidden for whoever is not a manager of every site.
    """
    must_see_every_site(actor)
    going = Task.objects.filter(
        kind=AUDIT_BOOKS, created_by=actor.user, state__in=[Task.State.QUEUED, Task.State.RUNNING]
    )
    return going.first() or queue_task(AUDIT_BOOKS, {}, at=at, created_by=actor.user)


def last_audit(*, actor: Actor) -> Task | None:
    """The last audit that came to its end, whoever asked for it; None where none is kept. Raises as
    `start_audit`."""
    must_see_every_site(actor)
    done = Task.objects.filter(kind=AUDIT_BOOKS, state=Task.State.DONE)
    return done.order_by("-finished_at", "-id").first()


def must_see_every_site(actor: Actor) -> None:
    """Differences name bins of every site: who may not see one of them may not see the audit."""
    if not all(actor.may(Action.AUDIT, site) for site in Site.objects.all()):
        raise Forbidden("The audit looks into the books of every site: it takes a manager of all of them.")


def run_audit(say: Callable[[int, str], None]) -> dict[str, Any]:
    """Every check in turn, each of one moment's books; `say` is told how far it is, between the checks."""
    differences: list[str] = []
    for index, check in enumerate(CHECKS):
        say(100 * index // len(CHECKS), check.__name__.replace("_", " "))
        with read_snapshot():
            differences += first_named(check())
    with read_snapshot():
        movements, balances = Movement.objects.count(), Balance.objects.count()
    return {
        "clean": not differences,
        "movements": movements,
        "balances": balances,
        "differences": differences[:MOST_DIFFERENCES],
        "unnamed": max(0, len(differences) - MOST_DIFFERENCES),
    }
