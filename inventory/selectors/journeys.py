"""Used shims traced through a site's books: out of which engine, and into which."""

import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from inventory.compute.journeys import Act, Journey, Step, journeys
from inventory.models import Condition, Movement, MovementLine, PlaceKind, ShimFamily
from shop.models import Site

TRACED = (Condition.USED, Condition.UNMEASURED)


@dataclass(frozen=True, slots=True, kw_only=True)
class TracedShim:
    """A used shim that went into an engine, with where it came from.

    from_job, out: None where it came out of no engine in these books (it was counted in, or came from
    another site). could_be: the jobs that it may have come from, where equal shims lay together. via: the
    movements between, first to last.
    """

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
    family: ShimFamily,
    *,
    job_id: uuid.UUID | None = None,
    since: datetime | None = None,
    same_engine: bool = True,
) -> list[TracedShim]:
    """Used shims that went into engines at a site, the last one first.

    job_id: only those that came out of this job's engine or went into it. since: that went in from then on.
    same_engine: False leaves out swaps within one engine. All used shims of the family are followed from the
    first movement on, whatever is asked for: a later one's origin rests on every earlier one.
    """
    found = [
        journey for journey in journeys(_acts(site, family)) if job_id is None or _touches(journey, job_id)
    ]
    numbers = {journey.in_seq for journey in found} | {journey.out_seq for journey in found}
    movements = Movement.objects.in_bulk([number for number in numbers if number is not None])
    traced = [_traced(journey, movements) for journey in found]
    wanted = [
        shim
        for shim in traced
        if (since is None or shim.into.at >= since) and (same_engine or not shim.same_engine)
    ]
    return wanted[::-1]


def _acts(site: Site, family: ShimFamily) -> Iterator[Act]:
    lines = (
        MovementLine.objects.filter(
            place__site=site, family=family, condition__in=TRACED, movement__seal__isnull=False
        )
        .order_by("movement_id", "position")
        .values_list(
            "movement_id",
            "movement__job_id",
            "place_id",
            "place__kind",
            "thickness_nm",
            "condition",
            "quantity",
        )
    )
    for (seq, job_id), group in groupby(lines.iterator(chunk_size=2_000), key=lambda row: row[:2]):
        yield Act(
            seq=seq,
            job=job_id,
            steps=[
                Step(
                    lot=(place_id, thickness_nm, condition),
                    quantity=quantity,
                    engine=kind == PlaceKind.ENGINE,
                )
                for _, _, place_id, kind, thickness_nm, condition, quantity in group
            ],
        )


def _touches(journey: Journey, job_id: uuid.UUID) -> bool:
    return job_id in (journey.from_job, journey.to_job) or job_id in journey.could_be


def _traced(journey: Journey, movements: dict[int, Movement]) -> TracedShim:
    return TracedShim(
        from_job=journey.from_job,
        out=None if journey.out_seq is None else movements[journey.out_seq],
        out_nm=journey.out_nm,
        to_job=journey.to_job,
        into=movements[journey.in_seq],
        in_nm=journey.in_nm,
        could_be=journey.could_be,
        via=journey.via,
    )
