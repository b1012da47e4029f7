"""What buying costs a site: spend by supplier and month, saved by gathering, punctuality, price history."""

import uuid
from collections import defaultdict
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db.models import Count, F

from inventory.compute.money import MINOR_DIGITS, rounded
from inventory.compute.price_chart import Price
from inventory.models import (
    PurchaseChoice,
    PurchaseLine,
    PurchaseList,
    Receipt,
    ReceiptLine,
    ShimFamily,
    SupplierClaim,
)
from shop.conf import conf
from shop.models import Site

ORDERED = (*PurchaseList.ON_THE_WAY, PurchaseList.State.RECEIVED, PurchaseList.State.CLOSED)
MOST_PRICES = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """What was ordered from one supplier in one month, goods and delivery; lines without a price count
    nothing and are counted in `unpriced`. Of an order whose rest was called off what came counts."""

    month: int
    supplier: str
    orders: int
    amount: Decimal
    currency: str
    unpriced: int


@dataclass(slots=True, kw_only=True)
class Punctual:
    """How a supplier kept its word: deliveries, those in time, working days late, promised and taken in
    all, what was claimed and credited (by currency)."""

    supplier: str
    deliveries: int = 0
    in_time: int = 0
    days_late: int = 0
    days_promised: int = 0
    days_taken: int = 0
    claims: int = 0
    credited: dict[str, Decimal] = field(default_factory=dict)

    @property
    def percent_in_time(self) -> int:
        return 100 * self.in_time // self.deliveries if self.deliveries else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Met:
    """Shims of one supplier whose price was keyed in as they came: what they cost by the order, and what was
    paid. Amounts are not rounded."""

    supplier: str
    currency: str
    shims: int
    ordered_at: Decimal
    paid: Decimal


def spent(site: Site, begin: datetime, end: datetime) -> list[Spent]:
    """By month and supplier, the orders that were made from `begin` up to `end`. Two queries."""
    zone = ZoneInfo(site.time_zone)
    orders: dict[tuple[int, str, str], list[PurchaseList]] = defaultdict(list)
    rows = PurchaseList.objects.filter(
        site=site, state__in=ORDERED, created_at__gte=begin, created_at__lt=end
    )
    for order in rows.select_related("supplier").prefetch_related("lines").order_by("created_at", "id"):
        currency = order.currency or next((line.currency for line in order.lines.all() if line.currency), "")
        month = order.created_at.astimezone(zone).month
        orders[month, order.supplier.name, currency or conf.currency].append(order)
    return [
        Spent(
            month=month,
            supplier=supplier,
            orders=len(made),
            amount=sum((_amount(each, code) for order in made for each in _amounts_of(order)), Decimal(0)),
            currency=code,
            unpriced=sum(line.amount is None for order in made for line in order.lines.all()),
        )
        for (month, supplier, code), made in sorted(orders.items())
    ]


def saved_by_gathering(site: Site, begin: datetime, end: datetime) -> Decimal:
    """What the choices whose lists were ordered save against an order for each need, as each was reckoned
    when it was made; in the shop's currency."""
    choices = PurchaseChoice.objects.filter(
        site=site, made_at__gte=begin, made_at__lt=end, lists__state__in=ORDERED
    ).distinct()
    return sum((Decimal(choice.result.get("saves", "0")) for choice in choices), Decimal(0))


def punctuality(site: Site, begin: datetime, end: datetime) -> list[Punctual]:
    """By supplier, how deliveries and claims from `begin` up to `end` went. Two queries."""
    found: dict[str, Punctual] = {}
    receipts = Receipt.objects.filter(site=site, at__gte=begin, at__lt=end, movement__isnull=False)
    for name, taken, promised, count in (
        receipts.order_by()
        .values_list("purchase_list__supplier__name", "lead_days", "promised_days")
        .annotate(count=Count("id"))
    ):
        each = found.setdefault(name, Punctual(supplier=name))
        each.deliveries += count
        each.in_time += count if taken <= promised else 0
        each.days_late += count * max(0, taken - promised)
        each.days_promised += count * promised
        each.days_taken += count * taken
    claims = SupplierClaim.objects.filter(site=site, opened_at__gte=begin, opened_at__lt=end)
    for name, amount, currency in claims.values_list("supplier__name", "amount", "currency"):
        each = found.setdefault(name, Punctual(supplier=name))
        each.claims += 1
        if amount is not None:
            each.credited[currency] = each.credited.get(currency, Decimal(0)) + amount
    return [found[name] for name in sorted(found)]


def met(site: Site, begin: datetime, end: datetime) -> list[Met]:
    """By supplier and currency, what was paid from `begin` up to `end` beside what it was ordered at; lines
    without either price are left out. One query."""
    rows = ReceiptLine.objects.filter(
        receipt__site=site,
        receipt__at__gte=begin,
        receipt__at__lt=end,
        price__isnull=False,
        line__price__isnull=False,
        good__gt=0,
    ).order_by("receipt__at", "id")
    found: dict[tuple[str, str], Met] = {}
    for supplier, currency, good, pack, ordered_at, paid in rows.values_list(
        "receipt__purchase_list__supplier__name",
        "line__currency",
        "good",
        "line__pack",
        "line__price",
        "price",
    ):
        key = supplier, currency or conf.currency
        before = found.get(key) or Met(
            supplier=supplier, currency=key[1], shims=0, ordered_at=Decimal(0), paid=Decimal(0)
        )
        found[key] = replace(
            before,
            shims=before.shims + good,
            ordered_at=before.ordered_at + good * ordered_at / pack,
            paid=before.paid + good * paid / pack,
        )
    return [found[key] for key in sorted(found)]


def bought_sizes(site: Site) -> list[tuple[ShimFamily, int, int]]:
    """The sizes that were ever ordered, by family and thickness, and how many times."""
    rows = PurchaseLine.objects.filter(purchase_list__site=site, purchase_list__state__in=ORDERED)
    counted = list(
        rows.order_by("family__code", "thickness_nm")
        .values_list("family_id", "thickness_nm")
        .annotate(times=Count("id"))
    )
    families: dict[uuid.UUID, ShimFamily] = ShimFamily.objects.in_bulk({family for family, _, _ in counted})
    return [(families[family], nm, times) for family, nm, times in counted]


def prices_of(site: Site, family: ShimFamily, nm: int) -> tuple[list[Price], str]:
    """What one shim of a size cost, by the order and as it was really paid, oldest first, and the currency:
    the one that most prices are in; prices in others are left out. The last few hundred at most."""
    zone = ZoneInfo(site.time_zone)
    ordered = PurchaseLine.objects.filter(
        purchase_list__site=site,
        purchase_list__state__in=ORDERED,
        family=family,
        thickness_nm=nm,
        price__isnull=False,
    ).order_by("-purchase_list__created_at", "-id")
    paid = ReceiptLine.objects.filter(
        receipt__site=site, line__family=family, line__thickness_nm=nm, price__isnull=False
    ).order_by("-receipt__at", "-id")
    rows = [
        (at, seller, price / pack, currency, False)
        for at, seller, price, pack, currency in ordered.values_list(
            "purchase_list__created_at", "purchase_list__supplier__name", "price", "pack", "currency"
        )[:MOST_PRICES]
    ] + [
        (at, seller, price / pack, currency, True)
        for at, seller, price, pack, currency in paid.annotate(
            seller=F("receipt__purchase_list__supplier__name")
        ).values_list("receipt__at", "seller", "price", "line__pack", "line__currency")[:MOST_PRICES]
    ]
    counts: dict[str, int] = defaultdict(int)
    for _, _, _, currency, _ in rows:
        counts[currency or conf.currency] += 1
    if not counts:
        return [], conf.currency
    usual = max(sorted(counts), key=lambda code: counts[code])
    prices = [
        Price(on=at.astimezone(zone).date(), seller=seller, each=round(each, 4), paid=was_paid)
        for at, seller, each, currency, was_paid in sorted(rows, key=lambda row: (row[0], row[1]))
        if (currency or conf.currency) == usual
    ]
    return prices, usual


def in_minor_units(amount: Decimal, currency: str) -> str:
    """An amount as a decimal text, rounded once to what its currency has."""
    return f"{_amount(amount, currency):f}"


def _amounts_of(order: PurchaseList) -> list[Decimal]:
    called_off = order.state == PurchaseList.State.CLOSED
    goods = [
        line.amount * line.received / line.quantity if called_off else line.amount
        for line in order.lines.all()
        if line.amount is not None
    ]
    return [*goods, order.delivery]


def _amount(amount: Decimal, currency: str) -> Decimal:
    return rounded(amount, currency) if currency in MINOR_DIGITS else amount
