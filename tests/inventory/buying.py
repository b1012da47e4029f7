"""A shop that buys: two suppliers with price lists, and the work of their background tasks done at once."""

from datetime import date
from decimal import Decimal

from inventory.models import PurchaseChoice, PurchaseList
from inventory.services.choosing import ask_for_choice
from inventory.services.terms import PartRow, Terms, set_part_prices, set_terms
from shop.background.work import run_task
from shop.models import Task

SIZES = (2_625_000, 2_650_000, 2_675_000)


def price_list(actor, supplier, family, price, *, pack=1, start=1, sizes=SIZES, prefix="S", **fields):
    """One row for each size, from a day long past."""
    rows = [
        PartRow(
            part_number=f"{prefix}-{nm // 1000}",
            family=family,
            thickness_nm=nm,
            price=Decimal(price),
            valid_from=date(2026, 1, 1),
            pack=pack,
            from_packs=start,
            **fields,
        )
        for nm in sizes
    ]
    return set_part_prices(actor=actor, supplier=supplier, rows=rows)


def terms(actor, supplier, **fields):
    return set_terms(actor=actor, supplier=supplier, terms=Terms(**{"currency": "EUR", **fields}))


def work(site=None):
    """Do every task that waits, oldest first."""
    for task in Task.objects.filter(state=Task.State.QUEUED).order_by("created_at", "id"):
        run_task(task.pk)


def chosen(site, actor, at):
    """The choice made now, with its drafts by supplier."""
    choice = ask_for_choice(site=site, actor=actor, at=at)
    work()
    drafts = PurchaseList.objects.filter(site=site, state=PurchaseList.State.DRAFT)
    return PurchaseChoice.objects.get(pk=choice.pk), {draft.supplier.code: draft for draft in drafts}
