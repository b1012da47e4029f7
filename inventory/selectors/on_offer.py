"""What a site wants bought beside all that is on offer, as the choice takes it."""

import uuid
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

from django.db.models import F, Q, Sum

from inventory.compute.purchase import (
    Break,
    LeadTime,
    Offered,
    OpeningHours,
    Problem,
    Size,
    Terms,
    Wanted,
    arrival,
)
from inventory.models import (
    Balance,
    Condition,
    ExchangeRate,
    Need,
    Offer,
    PartPrice,
    PlaceKind,
    PurchaseLine,
    PurchaseList,
    ShimFamily,
    StockMinimum,
    Supplier,
)
from shop.conf import conf
from shop.models import Site

WORTH_TO_THE_MINIMUM = Decimal("0.8")
"""What a left-over shim is credited at, as a share of its cheapest price, up to the minimum to be kept …"""
WORTH_BEYOND = Decimal("0.3")
"""… and for the next few beyond; further ones count nothing."""
FEW = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """The problem with what its keys stand for."""

    problem: Problem
    needs: Mapping[str, Need]
    suppliers: Mapping[str, Supplier]
    families: Mapping[str, ShimFamily]
    parts: Mapping[str, str]
    """Offer -> part number; "" for a price that is for any size of a family."""

    @property
    def names(self) -> dict[str, str]:
        return {code: supplier.name for code, supplier in self.suppliers.items()}

    @property
    def jobs(self) -> dict[str, str]:
        return {str(need.job_id): need.job_label for need in self.needs.values() if need.job_id}


def asked(site: Site, at: datetime) -> Asked:
    """What is open at the site and not yet bought, drafts included; their locked lines stay."""
    zone = ZoneInfo(site.time_zone)
    on = at.astimezone(zone).date()
    needs = {
        str(need.pk): need
        for need in Need.objects.filter(site=site, state=Need.State.OPEN)
        .filter(Q(line=None) | Q(line__purchase_list__state=PurchaseList.State.DRAFT))
        .select_related("family")
        .order_by(F("needed_by").asc(nulls_last=True), "created_at", "id")
    }
    wanted = tuple(_wanted(key, need) for key, need in needs.items())
    sizes = {Size(each.family, nm) for each in wanted for nm in each.sizes_nm}
    locked = list(
        PurchaseLine.objects.filter(
            purchase_list__site=site, purchase_list__state=PurchaseList.State.DRAFT, locked=True
        ).select_related("purchase_list__supplier", "family")
    )
    sizes |= {Size(line.family.code, line.thickness_nm) for line in locked}
    suppliers = {supplier.code: supplier for supplier in Supplier.objects.all()}
    families = {
        family.code: family for family in ShimFamily.objects.filter(code__in={s.family for s in sizes})
    }
    arrivals = _Arrivals(at, zone)
    offers, currencies, parts = _offers(sizes, families, suppliers, arrivals)
    keys = {offer.key for offer in offers}
    locks = {
        key: line.packs
        for line in locked
        if (key := offer_key(line.purchase_list.supplier.code, line.family.code, line)) in keys
    }
    return Asked(
        problem=Problem(
            on=on,
            currency=conf.currency,
            wanted=wanted,
            suppliers=tuple(
                _terms(suppliers[code], currency) for code, currency in sorted(currencies.items())
            ),
            offers=offers,
            rates=dict(ExchangeRate.objects.values_list("currency", "rate")),
            bay_hour=conf.bay_per_hour,
            hours=OpeningHours(zone=zone),
            worth=_worth(site, offers, currencies, families),
            locks=locks,
            other_size=conf.other_size_cost,
        ),
        needs=needs,
        suppliers=suppliers,
        families=families,
        parts=parts,
    )


def offer_key(supplier: str, family: str, line: PartPrice | PurchaseLine) -> str:
    """The choice's name for what a price or a line is of."""
    return f"{supplier}|{line.part_number}|{family}|{line.thickness_nm}|{line.pack}"


def _wanted(key: str, need: Need) -> Wanted:
    return Wanted(
        key=key,
        family=need.family.code,
        sizes_nm=tuple(sorted(set(need.would_do_nm) or {need.thickness_nm})),
        preferred_nm=need.thickness_nm,
        window=need.window if need.window in ("guaranteed", "called") else "exact",
        job=str(need.job_id) if need.job_id else None,
        needed_by=need.needed_by,
    )


class _Arrivals:
    """When what is ordered now is here, reckoned once for each supplier and lead time."""

    def __init__(self, at: datetime, zone: ZoneInfo) -> None:
        self._at, self._zone = at, zone
        self.today = at.astimezone(zone).date()
        self._known: dict[tuple[str, int], datetime] = {}

    def of(self, supplier: Supplier, days: int | None) -> datetime:
        lead = supplier.lead_days if days is None else days
        if (supplier.code, lead) not in self._known:
            holidays = frozenset(date.fromisoformat(day) for day in supplier.holidays)
            terms = LeadTime(
                working_days=min(lead, 250),
                cut_off=supplier.cut_off,
                holidays=holidays,
                comes_at=time(12),
                zone=self._zone,
            )
            self._known[supplier.code, lead] = arrival(terms, self._at)
        return self._known[supplier.code, lead]


def _offers(
    sizes: Iterable[Size],
    families: Mapping[str, ShimFamily],
    suppliers: Mapping[str, Supplier],
    arrivals: _Arrivals,
) -> tuple[tuple[Offered, ...], dict[str, str], dict[str, str]]:
    """What is sold of these sizes, the currency of each supplier, the part number of each offer. A price for
    any size of a family stands for single shims of the sizes for which the supplier has no part.
    """
    wanted = set(sizes)
    found: list[Offered] = []
    currencies: dict[str, str] = {}
    parts: dict[str, str] = {}
    groups: dict[str, list[PartPrice]] = defaultdict(list)
    rows = PartPrice.objects.filter(
        family__in=list(families.values()), thickness_nm__in={size.nm for size in wanted}
    ).select_related("family", "supplier")
    for row in rows.order_by("supplier__code", "part_number", "valid_from", "from_packs"):
        if Size(row.family.code, row.thickness_nm) in wanted:
            groups[f"{offer_key(row.supplier.code, row.family.code, row)}|{row.valid_from}"].append(row)
    by_part: dict[str, list[list[PartPrice]]] = defaultdict(list)
    for group in groups.values():
        by_part[offer_key(group[0].supplier.code, group[0].family.code, group[0])].append(group)
    has_part = set()
    for key, offers in by_part.items():
        for row, group in ((group[0], group) for group in _one_a_day(offers, arrivals)):
            supplier = suppliers[row.supplier.code]
            currencies[supplier.code] = supplier.currency or conf.currency
            parts[key] = row.part_number
            has_part.add((supplier.code, row.family.code, row.thickness_nm))
            found.append(
                Offered(
                    key=key,
                    supplier=supplier.code,
                    size=Size(row.family.code, row.thickness_nm),
                    pack=row.pack,
                    breaks=tuple(Break(each.from_packs, each.price) for each in group),
                    incremental=row.incremental,
                    arrives=arrivals.of(supplier, row.lead_days),
                    valid_from=row.valid_from,
                    valid_to=row.valid_to,
                )
            )
    for price in Offer.objects.filter(family__in=list(families.values()), price__gt=0).select_related(
        "family", "supplier"
    ):
        supplier = suppliers[price.supplier.code]
        if supplier.currency not in ("", price.currency):
            continue
        if currencies.setdefault(supplier.code, price.currency) != price.currency:
            continue
        for size in sorted(wanted):
            made = size.family == price.family.code and size.nm in price.family.sizes_nm()
            if made and (supplier.code, *size) not in has_part:
                key = f"{supplier.code}||{size.family}|{size.nm}|1"
                parts[key] = ""
                found.append(
                    Offered(
                        key=key,
                        supplier=supplier.code,
                        size=size,
                        pack=1,
                        breaks=(Break(1, price.price),),
                        arrives=arrivals.of(supplier, None),
                    )
                )
    return tuple(found), currencies, parts


def _one_a_day(offers: Sequence[list[PartPrice]], arrivals: _Arrivals) -> list[list[PartPrice]]:
    """Of the periods for which a part has prices, the one that counts today: the latest that has begun, else
    the first that will begin.
    """
    today = arrivals.today
    begun = [group for group in offers if group[0].valid_from <= today]
    if begun:
        return [max(begun, key=lambda group: group[0].valid_from)]
    return [min(offers, key=lambda group: group[0].valid_from)]


def _terms(supplier: Supplier, currency: str) -> Terms:
    return Terms(
        key=supplier.code,
        currency=currency,
        minimum_value=supplier.minimum_value,
        minimum_pieces=supplier.minimum_pieces,
        delivery_fee=supplier.delivery_fee,
        free_from=supplier.free_from,
    )


def _worth(
    site: Site,
    offers: Sequence[Offered],
    currencies: Mapping[str, str],
    families: Mapping[str, ShimFamily],
) -> dict[Size, tuple[Decimal, ...]]:
    """What left-over shims are worth: most of their price up to the stock that is to be kept, little for a
    few beyond. Rounded down to four decimals, so that it is never more than they cost.
    """
    rates = {conf.currency: Decimal(1), **dict(ExchangeRate.objects.values_list("currency", "rate"))}
    cheapest: dict[Size, Fraction] = {}
    for offer in offers:
        rate = rates.get(currencies[offer.supplier])
        if rate is not None:
            each = Fraction(min(step.price for step in offer.breaks)) * Fraction(rate) / offer.pack
            cheapest[offer.size] = min(each, cheapest.get(offer.size, each))
    missing = _missing(site, families)
    return {
        size: (_share(price, WORTH_TO_THE_MINIMUM),) * min(missing[size.family, size.nm], 200)
        + (_share(price, WORTH_BEYOND),) * FEW
        for size, price in cheapest.items()
    }


def _share(price: Fraction, share: Decimal) -> Decimal:
    return Decimal(int(price * Fraction(share) * 10_000)) / 10_000


def _missing(site: Site, families: Mapping[str, ShimFamily]) -> Counter[tuple[str, int]]:
    """How many of each size are missing to the minimum that is to be kept."""
    ids: dict[uuid.UUID, str] = {family.pk: code for code, family in families.items()}
    missing: Counter[tuple[str, int]] = Counter()
    for size in StockMinimum.objects.filter(site=site, family__in=ids, minimum__gt=0):
        missing[ids[size.family_id], size.thickness_nm] += size.minimum
    here = (
        Balance.objects.filter(
            place__site=site, place__kind=PlaceKind.BIN, family__in=ids, condition=Condition.NEW
        )
        .values_list("family", "thickness_nm")
        .annotate(free=Sum(F("on_hand") - F("held")))
    )
    for family, nm, free in here:
        missing[ids[family], nm] -= free
    return Counter({key: count for key, count in missing.items() if count > 0})
