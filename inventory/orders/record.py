"""What an order says, whatever form it takes."""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from zoneinfo import ZoneInfo

from inventory.compute.lengths import show
from inventory.compute.money import MINOR_DIGITS, rounded, total
from inventory.models import PurchaseLine, PurchaseList
from shop.conf import conf


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderLine:
    """packs: how many are ordered; pieces: the shims in them. amount: None where no price is known."""

    number: int
    part_number: str
    words: str
    packs: int
    pack: int
    pieces: int
    price: Decimal | None
    amount: Decimal | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderRecord:
    """name: the one name under which both sides know the order, unique over all sites. Amounts are rounded
    to the minor unit of `currency`; `goods` and `total` are their sums. address: of the page that takes in
    what comes of it; "" where nobody can say on which host, in a mail."""

    name: str
    issued: date
    expected: date | None
    currency: str
    buyer: tuple[str, ...]
    site: str
    supplier: str
    our_number: str
    reference: str
    lines: tuple[OrderLine, ...]
    goods: Decimal
    delivery: Decimal
    total: Decimal
    unpriced: int
    draft: bool
    address: str = ""

    @property
    def scanned(self) -> str:
        """What its code on paper says; the scan box takes either."""
        return self.address or self.name


def order_record(purchase_list: PurchaseList, *, address: str = "") -> OrderRecord:
    """The order as it stands. Site, supplier and lines are read when they are not there yet."""
    site, supplier = purchase_list.site, purchase_list.supplier
    lines = list(purchase_list.lines.select_related("family"))
    named = purchase_list.currency or next((line.currency for line in lines if line.currency), "")
    currency = named if named in MINOR_DIGITS else conf.currency
    rows = tuple(_line(number, line, currency) for number, line in enumerate(lines, start=1))
    delivery = rounded(purchase_list.delivery, currency)
    goods = total([row.amount for row in rows if row.amount is not None], currency)
    zone = ZoneInfo(site.time_zone)
    issued = purchase_list.sent_at or purchase_list.created_at
    expected = purchase_list.expected_at
    return OrderRecord(
        name=f"{site.code.upper()}-{purchase_list.number}",
        issued=issued.astimezone(zone).date(),
        expected=expected.astimezone(zone).date() if expected else None,
        currency=currency,
        buyer=conf.letterhead or (site.name,),
        site=site.name,
        supplier=supplier.name,
        our_number=supplier.our_number,
        reference=purchase_list.reference,
        lines=rows,
        goods=goods,
        delivery=delivery,
        total=total([goods, delivery], currency),
        unpriced=sum(row.amount is None for row in rows),
        draft=purchase_list.state in (PurchaseList.State.DRAFT, PurchaseList.State.APPROVED),
        address=address,
    )


def _line(number: int, line: PurchaseLine, currency: str) -> OrderLine:
    words = f"Shim {show(line.thickness_nm)} mm, {line.family.name}"
    return OrderLine(
        number=number,
        part_number=line.part_number,
        words=f"{words}, pack of {line.pack}" if line.pack > 1 else words,
        packs=line.packs,
        pack=line.pack,
        pieces=line.quantity,
        price=line.price,
        amount=None if line.amount is None else rounded(line.amount, currency),
    )
