"""Used shims traced through a site's books: out of which engine, and into which."""

import uuid
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Any

from inventory.compute.journeys import Act, Journey, Step, journeys
from inventory.models import Condition, Movement, MovementLine, PlaceKind, ShimFamily
from shop.models import Site

TRACED = (Condition.USED, Condition.UNMEASURED)


@dataclass(frozen=True, slots=True, kw_only=True)
class TracedShim:
    """A used shim that went into an engine, with where it came from.

    from_job, out: None where it came out of no engine in these books (it was counted in, or came from
    another site). could_be: the jobs that it may have come from, where equal shims lay together. via: the
    movements between, first to last. nth: which of the shims that `into` put into the engine it was, from 0.
    """

    family: ShimFamily
    nth: int
    from_job: uuid.UUID | None
    out: Movement | None
    out_nm: int | None
    to_job: uuid.UUID | None
    into: Movement
    in_nm: int
    could_be: tuple[uuid.UUID | None, ...]
    via: tuple[int, ...]

    @property
    def certain(self) -> bool:
        return len(self.could_be) == 1

    @property
    def days(self) -> int | None:
        """Whole days from the one engine to the other."""
        return None if self.out is None else (self.into.at - self.out.at).days

    @property
    def same_engine(self) -> bool:
        """Whether it went back into the engine that it was taken out of."""
        return self.from_job is not None and self.from_job == self.to_job


def traced_shims(
    site: Site,
    family: ShimFamily | None = None,
    *,
    job_id: uuid.UUID | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    same_engine: bool | None = None,
) -> list[TracedShim]:
    """Used shims that went into engines at a site, the last one first; of one family, else of all.

    job_id: only those that came out of this job's engine, or may have, or went into it. since, until: that
    went in from then on, and before. same_engine: only those that went back into their own engine, or only
    the others. All used shims are followed from the first movement on, whatever is asked: where a later
    one came from rests on every earlier one.
    """
    found = [
        (of, nth, journey)
        for of, nth, journey in _numbered(site, family)
        if job_id is None or _touches(journey, job_id)
    ]
    numbers = {number for _, _, journey in found for number in (journey.in_seq, journey.out_seq)}
    known = [number for number in numbers if number is not None]
    movements = Movement.objects.select_related("site").in_bulk(known)
    families = {of.pk: of for of in ([family] if family else ShimFamily.objects.all())}
    traced = [_traced(families[of], nth, journey, movements) for of, nth, journey in found]
    wanted = [
        shim
        for shim in traced
        if (since is None or shim.into.at >= since)
        and (until is None or shim.into.at < until)
        and (same_engine is None or shim.same_engine == same_engine)
    ]
    return wanted[::-1]


def _numbered(site: Site, family: ShimFamily | None) -> list[tuple[int, int, Journey]]:
    """Family's key, place among the shims of the movement that put it into the engine, journey; in the order
    in which they went in. Movements never change, so a shim keeps its number whatever comes later."""
    found = sorted(
        ((of, journey) for of, acts in _acts(site, family) for journey in journeys(acts)),
        key=lambda one: (one[1].in_seq, one[0]),
    )
    together = groupby(found, key=lambda one: one[1].in_seq)
    return [(of, nth, journey) for _, shims in together for nth, (of, journey) in enumerate(shims)]


def _acts(site: Site, family: ShimFamily | None) -> Iterator[tuple[int, Iterator[Act]]]:
    """By family, whose key it is; what one did to used shims, in the order of the ledger."""
    lines = MovementLine.objects.filter(place__site=site, condition__in=TRACED, movement__seal__isnull=False)
    if family is not None:
        lines = lines.filter(family=family)
    rows = lines.order_by("family_id", "movement_id", "position").values_list(
        "family_id",
        "movement_id",
        "movement__job_id",
        "place_id",
        "place__kind",
        "thickness_nm",
        "condition",
        "quantity",
    )
    for of, group in groupby(rows.iterator(chunk_size=2_000), key=lambda row: row[0]):
        yield of, _acts_of(group)


def _acts_of(rows: Iterable[tuple[Any, ...]]) -> Iterator[Act]:
    for (seq, job_id), group in groupby(rows, key=lambda row: row[1:3]):
        yield Act(
            seq=seq,
            job=job_id,
            steps=[
                Step(
                    lot=(place_id, thickness_nm, condition),
                    quantity=quantity,
                    engine=kind == PlaceKind.ENGINE,
                )
                for _, _, _, place_id, kind, thickness_nm, condition, quantity in group
            ],
        )


def _touches(journey: Journey, job_id: uuid.UUID) -> bool:
    return job_id in (journey.from_job, journey.to_job) or job_id in journey.could_be


def _traced(family: ShimFamily, nth: int, journey: Journey, movements: dict[int, Movement]) -> TracedShim:
    return TracedShim(
        family=family,
        nth=nth,
        from_job=journey.from_job,
        out=None if journey.out_seq is None else movements[journey.out_seq],
        out_nm=journey.out_nm,
        to_job=journey.to_job,
        into=movements[journey.in_seq],
        in_nm=journey.in_nm,
        could_be=journey.could_be,
        via=journey.via,
    )
