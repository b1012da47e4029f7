"""The history of a purchase list: what was done to it, by whom, in words."""

from datetime import datetime

from inventory.models import PurchaseEvent, PurchaseList


def note(purchase_list: PurchaseList, act: str, *, by: str, at: datetime, text: str) -> PurchaseEvent:
    """Write down an act in the transaction that does it. Words beyond the column's length are cut."""
    return PurchaseEvent.objects.create(purchase_list=purchase_list, act=act, at=at, by=by, text=text[:400])
