"""Stock as of any past moment, from the movements alone.

A moment is a link of the site's chain: movements are sealed one after the other, so what stood in the books
after link n is the sum of the lines of links 1 to n, and never below zero inside. The clock does not order
movements; a time is first turned into the last link that was made by then.
"""

import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Max, Q, QuerySet, Sum

from inventory.models import ChainHead, MovementLine, MovementSeal, Place, PlaceKind, ShimFamily
from shop.errors import NotFound
from shop.models import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A state of one site's books: after `link` movements of the site, the last of them number `seq`.

    at: when that was written; None before the first.
    others_seq: up to which number other sites' movements count, where they took shims out of this one's
    transit; two chains have no order but that of their movements' numbers.
    """

    site: Site
    link: int
    seq: int
    others_seq: int
    at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LotThen:
    """So many shims of one kind in one place at a past moment; never 0."""

    place: Place
    family: ShimFamily
    thickness_nm: int
    condition: str
    on_hand: int


def link_now(site: Site) -> int:
    """The last link of the site's chain; 0 before the first movement."""
    return ChainHead.objects.values_list("position", flat=True).get(site=site)


def moment_at(site: Site, time: datetime) -> Moment:
    """The site's books as they stood at a time: after the last movement that carries it or an earlier one."""
    seals = MovementSeal.objects.filter(site=site, movement__at__lte=time)
    others = (
        MovementLine.objects.filter(place__site=site, place__kind=PlaceKind.TRANSIT)
        .exclude(movement__site=site)
        .filter(movement__at__lte=time)
        .aggregate(last=Max("movement_id"))
    )
    seal = seals.order_by("-position").select_related("movement").first()
    return _moment(site, seal, others["last"] or 0)


def moment_after(site: Site, seq: int) -> Moment:
    """The site's books right after one of its movements. Raises NotFound when it is none of this site's."""
    seal = MovementSeal.objects.filter(site=site, movement_id=seq).select_related("movement").first()
    if seal is None:
        raise NotFound(f"{site.name} has no movement {seq}.")
    return _moment(site, seal, seq)


def stock_as_of(
    moment: Moment,
    *,
    family: ShimFamily | None = None,
    place: Place | None = None,
    kinds: frozenset[str] | None = None,
) -> list[LotThen]:
    """What lay where, by place, family and thickness; [] where there was nothing.

    kinds: the kinds of place that are wanted; None for all but the outside ones, whose balances are signed.
    """
    lines = lines_until(moment, kinds=kinds)
    if place is not None:
        lines = lines.filter(place=place)
    if family is not None:
        lines = lines.filter(family=family)
    sums = (
        lines.values("place_id", "family_id", "thickness_nm", "condition")
        .annotate(on_hand=Sum("quantity"))
        .exclude(on_hand=0)
        .order_by("place__code", "family__code", "thickness_nm", "condition")
    )
    return list(_with_names(sums))


def lines_until(moment: Moment, *, kinds: frozenset[str] | None = None) -> QuerySet[MovementLine]:
    """Every line of the site's places that counted at that moment; `kinds` as for `stock_as_of`."""
    wanted = kinds if kinds is not None else frozenset(PlaceKind.values) - PlaceKind.outside()
    return MovementLine.objects.filter(_until(moment), place__kind__in=wanted, place__site=moment.site)


def _moment(site: Site, seal: MovementSeal | None, others_seq: int) -> Moment:
    if seal is None:
        return Moment(site=site, link=0, seq=0, others_seq=others_seq, at=None)
    return Moment(
        site=site,
        link=seal.position,
        seq=seal.movement_id,
        others_seq=others_seq,
        at=seal.movement.at,
    )


def _until(moment: Moment) -> Q:
    """Lines that counted at that moment."""
    own = Q(movement__seal__site=moment.site, movement__seal__position__lte=moment.link)
    others = Q(movement__seal__isnull=False, movement_id__lte=moment.others_seq)
    return own | (others & ~Q(movement__site=moment.site))


def _with_names(sums: QuerySet) -> Iterator[LotThen]:
    rows = list(sums)
    places = _by_id(Place, {row["place_id"] for row in rows})
    families = _by_id(ShimFamily, {row["family_id"] for row in rows})
    for row in rows:
        yield LotThen(
            place=places[row["place_id"]],
            family=families[row["family_id"]],
            thickness_nm=row["thickness_nm"],
            condition=row["condition"],
            on_hand=row["on_hand"],
        )


def _by_id(model: type[Place] | type[ShimFamily], ids: set[uuid.UUID]) -> dict:
    return model.objects.in_bulk(ids)
