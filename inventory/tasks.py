"""Background work on stock. Loaded once Django is set up, which also registers the kinds of table."""

from datetime import timedelta
from typing import Any

from inventory.imports import bins, families, prices, sizes, stock
from inventory.imports.runs import APPLY, CHECK, apply_run, check_run, fail_run
from inventory.models import ImportRun, PurchaseChoice, PurchaseList
from inventory.orders import mail_order
from inventory.services.auditing import AUDIT_BOOKS, run_audit
from inventory.services.choosing import CHOOSE, make_choice
from inventory.services.counting import open_due_counts
from inventory.services.hold_warnings import warn_of_expiring_holds
from inventory.services.minimums import tell_low_stock
from inventory.services.ordering import MAIL_ORDER
from shop.actor import Actor, actor_for_user, service_actor
from shop.background.context import TaskContext
from shop.background.registry import periodic, task_handler
from shop.errors import ShopError
from shop.models import Site, User

__all__ = ["bins", "families", "prices", "sizes", "stock"]


@task_handler(CHECK)
def check_import(task: TaskContext) -> dict[str, int]:
    """Judge every row of a staged file."""
    return check_run(task, _run(task))


@task_handler(APPLY)
def apply_import(task: TaskContext) -> dict[str, int] | None:
    """Write a checked table whole; a refusal is said on the run and is no failure of the task."""
    run = _run(task)
    if run.state != ImportRun.State.APPLYING:
        return None
    try:
        return apply_run(task, run, _actor(task))
    except ShopError as error:
        fail_run(run, error.message)
        return {"written": 0}


@task_handler(AUDIT_BOOKS)
def audit_books(task: TaskContext) -> dict[str, Any]:
    """Recompute the books of all sites."""
    return run_audit(task.heartbeat)


@task_handler(CHOOSE)
def choose_purchases(task: TaskContext) -> dict[str, int] | None:
    """Work out what to buy where, and write its drafts."""
    choice = PurchaseChoice.objects.select_related("site").get(pk=task.payload["choice"])
    return make_choice(task, choice) if choice.made_at is None else None


@task_handler(MAIL_ORDER)
def mail_purchase_list(task: TaskContext) -> dict[str, str]:
    """Send an order to its supplier. A worker that dies in between sends it once more: the same order under
    the same number, which the mail says."""
    found = PurchaseList.objects.select_related("site", "supplier").get(pk=task.payload["list"])
    sent = mail_order(found, copy=task.payload["copy"] > 1)
    with task.commit(sent):
        return sent


@periodic("open_due_counts", every=timedelta(days=1))
def open_counts_of_the_day(task: TaskContext) -> dict[str, int]:
    """Ask at every site for the bins whose turn it is to be counted; safe to run again at any point."""
    sites = list(Site.objects.all())
    opened = 0
    for index, site in enumerate(sites):
        opened += len(open_due_counts(site=site, actor=service_actor(), at=task.now()))
        task.heartbeat(100 * (index + 1) // len(sites), f"{index + 1} of {len(sites)} sites")
    return {"sites": len(sites), "opened": opened}


@periodic("tell_due_news", every=timedelta(minutes=1))
def tell_due_news(task: TaskContext) -> dict[str, int]:
    """Tell of sizes that have run low and of holds that run out soon; safe to run again at any point."""
    low = expiring = 0
    for site in Site.objects.all():
        low += tell_low_stock(site=site, at=task.now())
        expiring += warn_of_expiring_holds(site=site, at=task.now())
    return {"low": low, "expiring": expiring}


def _run(task: TaskContext) -> ImportRun:
    return ImportRun.objects.select_related("site").get(pk=task.payload["run"])


def _actor(task: TaskContext) -> Actor:
    """Whoever asked for it, with the roles that they have now."""
    if task.created_by_id is None:
        return service_actor()
    return actor_for_user(User.objects.get(pk=task.created_by_id))
