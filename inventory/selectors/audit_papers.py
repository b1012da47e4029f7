"""The papers beside the books: transfers, posted counts and retired bins must tell what the ledger tells."""

from collections import defaultdict
from collections.abc import Iterator

from django.db.models import F, Sum

from inventory.compute.lengths import show
from inventory.models import Balance, BinCount, MovementLine, PlaceKind, TalliedLot, TransferLine


def transits() -> Iterator[str]:
    """A lot in transit of which the open transfers of its site say another number than the books."""
    by_papers: dict[tuple, int] = defaultdict(int)
    lines = TransferLine.objects.filter(transfer__state="in_transit")
    left = F("quantity") - F("arrived") - F("came_back") - F("written_off")
    lots = lines.values_list("transfer__source__code", "family__code", "thickness_nm", "condition")
    for *lot, count in lots.annotate(left=Sum(left)).order_by():
        by_papers[tuple(lot)] += count
    by_books: dict[tuple, int] = defaultdict(int)
    rows = Balance.objects.filter(place__kind=PlaceKind.TRANSIT).exclude(on_hand=0)
    for *lot, count in rows.values_list("site__code", "family__code", "thickness_nm", "condition", "on_hand"):
        by_books[tuple(lot)] += count
    for lot in sorted({*by_papers, *by_books}):
        if by_papers[lot] != by_books[lot]:
            site, family, thickness_nm, condition = lot
            yield (
                f"transit: {show(thickness_nm)} mm {condition} of {family} from {site}: the transfers say "
                f"{by_papers[lot]}, the balance says {by_books[lot]}"
            )


def posted_counts() -> Iterator[str]:
    """A posted count whose movement is not what two persons found."""
    posted = BinCount.objects.filter(state=BinCount.State.POSTED).order_by("pk")
    found: dict[object, dict[tuple, int]] = defaultdict(dict)
    lots = TalliedLot.objects.filter(tally__confirmed=True, tally__count__in=posted).exclude(difference=0)
    for count, *lot, difference in lots.values_list(
        "tally__count", "family", "thickness_nm", "condition", "difference"
    ):
        found[count][tuple(lot)] = difference
    booked: dict[object, dict[tuple, int]] = defaultdict(dict)
    lines = MovementLine.objects.filter(
        movement__posted_count__in=posted, place=F("movement__posted_count__place")
    )
    for count, *lot, quantity in lines.values_list(
        "movement__posted_count", "family", "thickness_nm", "condition", "quantity"
    ):
        booked[count][tuple(lot)] = quantity
    for count in posted.select_related("site", "place").iterator():
        if found[count.pk] != booked[count.pk]:
            yield (
                f"count: {count} of {count.place.code} at {count.site.code} was posted by movement "
                f"{count.movement_id}, which is not the difference that was found"
            )


def retired_bins() -> Iterator[str]:
    """A place out of use with shims in it."""
    rows = Balance.objects.filter(place__retired_at__isnull=False).exclude(on_hand=0)
    for row in rows.select_related("place__site").order_by("place__site__code", "place__code", "id"):
        yield (
            f"retired: {row.place.code} at {row.place.site.code} is out of use and holds {row.on_hand} × "
            f"{show(row.thickness_nm)} mm {row.condition}"
        )
