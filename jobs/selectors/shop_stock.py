"""What a plan for a whole site may take besides what is in engines and trays: bins, and what is on order."""

import uuid
from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any, cast

from django.db.models import Count, F, Q

from inventory.models import Balance, Condition, Hold, HoldLine, Need, PlaceKind, PurchaseLine, PurchaseList
from inventory.selectors.stock import PLANNABLE, stock
from jobs.compute.planner import Condition as PlannerCondition
from jobs.compute.shopplan import Aside, OrderedLot, ShopLot
from shop.models import Site

MOST_ASIDE = 500


def lots_of(
    site: Site, families: set[uuid.UUID], freed_lines: Iterable[HoldLine], own: Sequence[HoldLine]
) -> tuple[list[Balance], list[ShopLot]]:
    """What is held for single jobs by hand (`own`), each for its job alone, then what is available in bins;
    what the plans of moved jobs hold there (`freed_lines`) counts as available."""
    freed: dict[tuple[Any, ...], int] = defaultdict(int)
    for line in freed_lines:
        freed[line.place_id, line.family_id, line.thickness_nm, line.condition] += 1
    balances, lots = _own_lots(own)
    for balance in stock(site).filter(condition__in=PLANNABLE, family__in=families):
        key = (balance.place_id, balance.family_id, balance.thickness_nm, balance.condition)
        quantity = balance.on_hand - balance.held + freed[key]
        if quantity > 0:
            balances.append(balance)
            lots.append(
                ShopLot(
                    family=balance.family.code,
                    thickness_nm=balance.thickness_nm,
                    condition=cast(PlannerCondition, balance.condition),
                    quantity=quantity,
                )
            )
    return balances, lots


def _own_lots(own: Sequence[HoldLine]) -> tuple[list[Balance], list[ShopLot]]:
    held: dict[tuple[Any, ...], int] = defaultdict(int)
    for line in own:
        held[line.hold.job_id, line.place_id, line.family_id, line.thickness_nm, line.condition] += (
            line.quantity
        )
    balances = (
        {
            (row.place_id, row.family_id, row.thickness_nm, row.condition): row
            for row in Balance.objects.filter(
                place__in={line.place_id for line in own}, held__gt=0
            ).select_related("place", "family")
        }
        if own
        else {}
    )
    found = [
        (
            balances[key],
            ShopLot(
                family=balances[key].family.code,
                thickness_nm=balances[key].thickness_nm,
                condition=cast(PlannerCondition, balances[key].condition),
                quantity=quantity,
                only=str(job_id),
            ),
        )
        for (job_id, *rest), quantity in held.items()
        if (key := tuple(rest)) in balances
    ]
    return [balance for balance, _ in found], [lot for _, lot in found]


def free_on_order(site: Site, families: Iterable[uuid.UUID] | None = None) -> Any:
    """Lines of purchase lists on their way, with `free`: how many of each are promised to no job."""
    lines = PurchaseLine.objects.filter(
        purchase_list__site=site, purchase_list__state__in=PurchaseList.ON_THE_WAY
    )
    if families is not None:
        lines = lines.filter(family__in=families)
    return (
        lines.select_related("purchase_list__supplier", "family")
        .annotate(
            promised=Count("needs", filter=Q(needs__state=Need.State.BOUGHT)),
            free=F("quantity") - F("received") - F("promised"),
        )
        .order_by("purchase_list__created_at", "purchase_list__number", "thickness_nm", "id")
    )


def on_order(
    site: Site, families: set[uuid.UUID], moved: frozenset[uuid.UUID]
) -> tuple[list[PurchaseLine], list[OrderedLot]]:
    freed: dict[uuid.UUID, int] = defaultdict(int)
    if moved:
        for need in Need.objects.filter(job_id__in=moved, state=Need.State.BOUGHT):
            freed[need.line_id] += 1
    lines, ordered = [], []
    for line in free_on_order(site, families):
        if (free := line.free + freed[line.pk]) > 0:
            lines.append(line)
            ordered.append(
                OrderedLot(
                    family=line.family.code, thickness_nm=line.thickness_nm, quantity=free, due=due_of(line)
                )
            )
    return lines, ordered


def due_of(line: PurchaseLine) -> datetime:
    """When it is due: on the day that is expected, else the supplier's usual days after the list was made."""
    bought = line.purchase_list
    return bought.expected_at or bought.created_at + timedelta(days=bought.supplier.lead_days)


def set_aside(
    site: Site, families: set[uuid.UUID], freed_lines: Iterable[HoldLine], own: Sequence[HoldLine]
) -> Iterable[Aside]:
    """What sentences speak of: shims in bins that are held for others, and unmeasured ones."""
    held = HoldLine.objects.filter(
        hold__site=site, hold__state=Hold.State.HELD, place__kind=PlaceKind.BIN, family__in=families
    ).exclude(pk__in=[line.pk for line in (*freed_lines, *own)])
    for line in held.select_related("hold", "family").order_by("id")[:MOST_ASIDE]:
        yield Aside(
            family=line.family.code, thickness_nm=line.thickness_nm, because="held", by=line.hold.reference
        )
    lying = Balance.objects.filter(
        site=site, family__in=families, condition=Condition.UNMEASURED, on_hand__gt=0, outside=False
    )
    for balance in lying.select_related("family").order_by("id")[:MOST_ASIDE]:
        yield Aside(family=balance.family.code, thickness_nm=balance.thickness_nm, because="unmeasured")
