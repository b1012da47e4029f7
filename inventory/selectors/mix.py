"""What the drawers of sites should hold, beside what lies there and what is kept today."""

import uuid
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from itertools import groupby

from django.db.models import F, Max, OuterRef, Q, QuerySet, Subquery, Sum

from inventory.compute.demand import Line, Taken, Window, spread, taken, window
from inventory.compute.money import rounded
from inventory.compute.sizes import nearest_size
from inventory.compute.stockmix import Proposal, SizeFacts, Terms, propose
from inventory.models import (
    Balance,
    Condition,
    Movement,
    MovementLine,
    PartPrice,
    Place,
    PlaceKind,
    Reason,
    ShimFamily,
    StockMinimum,
)
from inventory.selectors.stock import PLANNABLE
from inventory.selectors.worth import Worth, worth_of
from shop.conf import conf
from shop.models import Site

UNSOLD_LEAD_DAYS = 5
"""Where nobody's list has the size."""
MOST_MONTHS = 120

_Key = tuple[uuid.UUID, uuid.UUID]  # site, family
_Size = tuple[uuid.UUID, uuid.UUID, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class MixRow:
    """One size at one site. taken: shims that engines took of it in the time looked back over; on_hand: new
    and used in bins, by the nearest made size; minimum: what is kept today, None where nobody said;
    beyond_worth: in `currency`, None where no price is known."""

    site: Site
    family: ShimFamily
    taken: int
    lead_days: int
    new: int
    used: int
    held: int
    minimum: int | None
    proposal: Proposal
    service: Decimal
    beyond_worth: Decimal | None
    currency: str

    @property
    def thickness_nm(self) -> int:
        return self.proposal.size_nm

    @property
    def on_hand(self) -> int:
        return self.new + self.used

    @property
    def available(self) -> int:
        return self.on_hand - self.held

    @property
    def changes(self) -> bool:
        """Whether the proposal is another number than what is kept today."""
        return self.proposal.proposed != (self.minimum or 0)


@dataclass(slots=True)
class _Seen:
    """What the books say of some sites, by site, family and made size."""

    new: dict[_Size, int] = field(default_factory=lambda: defaultdict(int))
    used: dict[_Size, int] = field(default_factory=lambda: defaultdict(int))
    held: dict[_Size, int] = field(default_factory=lambda: defaultdict(int))
    minimums: dict[_Size, int] = field(default_factory=dict)
    capacities: dict[_Size, int | None] = field(default_factory=dict)
    leads: dict[tuple[uuid.UUID, int], int] = field(default_factory=dict)


def stock_mix(
    sites: Collection[uuid.UUID],
    *,
    at: datetime,
    family_code: str | None = None,
    service: Decimal | None = None,
    months: int | None = None,
) -> list[MixRow]:
    """Sizes that something was taken of, lies there, is kept or is proposed, by site, family and thickness.

    service: above 0, below 1, months: 1 to `MOST_MONTHS`; None: the shop's settings. As many queries whatever
    the sites and families.
    """
    service, months = service or conf.service_level, months or conf.mix_months
    first = Movement.objects.filter(site=OuterRef("pk")).order_by("seq").values("at")[:1]
    here = list(Site.objects.filter(pk__in=sites).annotate(begun=Subquery(first)).order_by("code"))
    families = _families(family_code)
    windows = {site.pk: window(at, months, site.begun) for site in here}
    took = _taken(windows, families)
    seen = _seen([site.pk for site in here], families)
    worth = worth_of(families)
    return [
        row
        for site in here
        for family in families.values()
        for row in _rows(site, family, took, seen, windows[site.pk], service, worth)
    ]


def _families(code: str | None) -> dict[uuid.UUID, ShimFamily]:
    """By code; `slowest`: the working days of the supplier that takes longest of those with a price for any
    of its sizes."""
    rows = ShimFamily.objects.annotate(slowest=Max("offers__supplier__lead_days")).order_by("code")
    return {family.pk: family for family in (rows if code is None else rows.filter(code=code))}


def _taken(
    windows: Mapping[uuid.UUID, Window], families: Mapping[uuid.UUID, ShimFamily]
) -> dict[_Key, list[Taken]]:
    """What was taken of each family at each site."""
    found: dict[_Key, list[Taken]] = {}
    since = min((looked_at.begin for looked_at in windows.values()), default=None)
    if since is None:
        return found
    # Of what was handed out only used shims are asked about: every new one that was fitted counts.
    into_engines = Q(movement__reason=Reason.FIT, quantity__lt=0)
    out_of_drawers = Q(
        movement__reason__in=[Reason.HAND_OUT, Reason.HAND_BACK],
        condition=Condition.USED,
        place__kind__in=[PlaceKind.BIN, PlaceKind.RECEIVING],
    )
    lines: QuerySet[MovementLine, tuple] = (
        MovementLine.objects.filter(
            into_engines | out_of_drawers,
            movement__site__in=list(windows),
            movement__at__gte=since,
            movement__seal__isnull=False,
            movement__reversed_by__isnull=True,
            family__in=families,
            condition__in=PLANNABLE,
        )
        .order_by("movement__site_id", "family_id", "id")
        .values_list(
            "movement__site_id",
            "family_id",
            "movement__job_id",
            "movement__at",
            "movement__reason",
            "place__kind",
            "condition",
            "thickness_nm",
            "quantity",
        )
    )
    for (site, family), group in groupby(lines.iterator(chunk_size=2_000), key=lambda row: row[:2]):
        found[site, family] = taken(_lines(group, windows[site]), families[family].range)
    return found


def _lines(rows: Iterator[tuple], looked_at: Window) -> Iterator[Line]:
    for _site, _family, job, at, reason, kind, condition, nm, quantity in rows:
        if at >= looked_at.begin:
            yield Line(
                job=job,
                at=at,
                fit=reason == Reason.FIT,
                tray=kind == PlaceKind.TRAY,
                new=condition == Condition.NEW,
                thickness_nm=nm,
                quantity=quantity,
            )


def _seen(sites: Sequence[uuid.UUID], families: Mapping[uuid.UUID, ShimFamily]) -> _Seen:
    seen = _Seen()
    lots = Balance.objects.filter(
        site__in=sites,
        place__site__in=sites,
        place__kind=PlaceKind.BIN,
        family__in=families,
        condition__in=PLANNABLE,
        on_hand__gt=0,
    ).values_list("site_id", "family_id", "thickness_nm", "condition")
    for site, family, nm, condition, on_hand, held in lots.annotate(Sum("on_hand"), Sum("held")):
        size = site, family, nearest_size(families[family].range, nm)
        (seen.new if condition == Condition.NEW else seen.used)[size] += on_hand
        seen.held[size] += held
    kept = StockMinimum.objects.filter(site__in=sites, family__in=families)
    for *size, minimum in kept.values_list("site_id", "family_id", "thickness_nm", "minimum"):
        seen.minimums[tuple(size)] = minimum
    bins = Place.objects.filter(
        site__in=sites, kind=PlaceKind.BIN, family__in=families, size_nm__isnull=False, retired_at=None
    )
    for *size, capacity in bins.values_list("site_id", "family_id", "size_nm", "capacity"):
        before = seen.capacities.get(tuple(size), 0)
        # One bin without a bound, and there is room for any number.
        seen.capacities[tuple(size)] = None if capacity is None or before is None else before + capacity
    parts = PartPrice.objects.filter(family__in=families).order_by().values_list("family_id", "thickness_nm")
    for family, nm, own, usual in parts.distinct().annotate(
        own=F("lead_days"), usual=F("supplier__lead_days")
    ):
        lead = usual if own is None else own
        seen.leads[family, nm] = max(lead, seen.leads.get((family, nm), 0))
    return seen


def _rows(
    site: Site,
    family: ShimFamily,
    took: Mapping[_Key, list[Taken]],
    seen: _Seen,
    looked_at: Window,
    service: Decimal,
    worth: Worth,
) -> Iterator[MixRow]:
    counts: dict[int, int] = defaultdict(int)
    for each in took.get((site.pk, family.pk), ()):
        counts[each.size_nm] += each.quantity
    sizes = [_facts(site, family, nm, counts[nm], seen) for nm in family.sizes_nm()]
    if not any(size.taken or size.on_hand or _minimum(site, family, size, seen) for size in sizes):
        return
    terms = Terms(
        service=Fraction(service),
        review_days=conf.review_days,
        looked_at=looked_at,
        spread=spread(took.get((site.pk, family.pk), ()), looked_at),
    )
    for size, proposal in zip(sizes, propose(sizes, terms), strict=True):
        minimum = _minimum(site, family, size, seen)
        if not (size.taken or size.on_hand or minimum or proposal.proposed):
            continue
        key = site.pk, family.pk, size.size_nm
        yield MixRow(
            site=site,
            family=family,
            taken=size.taken,
            lead_days=size.lead_days,
            new=seen.new.get(key, 0),
            used=seen.used.get(key, 0),
            held=seen.held.get(key, 0),
            minimum=minimum,
            proposal=proposal,
            service=service,
            beyond_worth=_worth(proposal.beyond, seen.new.get(key, 0), family, worth),
            currency=worth.currency,
        )


def _facts(site: Site, family: ShimFamily, nm: int, count: int, seen: _Seen) -> SizeFacts:
    key = site.pk, family.pk, nm
    leads = [lead for lead in (family.slowest, seen.leads.get((family.pk, nm))) if lead is not None]
    return SizeFacts(
        size_nm=nm,
        taken=count,
        on_hand=seen.new.get(key, 0) + seen.used.get(key, 0),
        lead_days=max(leads, default=UNSOLD_LEAD_DAYS),
        capacity=seen.capacities.get(key),
    )


def _minimum(site: Site, family: ShimFamily, size: SizeFacts, seen: _Seen) -> int | None:
    return seen.minimums.get((site.pk, family.pk, size.size_nm))


def _worth(beyond: int, new: int, family: ShimFamily, worth: Worth) -> Decimal | None:
    """Of so many shims too many, the new ones first: they are what was bought in vain."""
    of_new, of_used = worth.of(family.pk, Condition.NEW), worth.of(family.pk, Condition.USED)
    if of_new is None or of_used is None:
        return None
    return rounded(min(beyond, new) * of_new + max(beyond - new, 0) * of_used, worth.currency)
