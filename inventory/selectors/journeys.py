"""Used shims traced through a site's books: out of which engine, and into which."""

import uuid
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from itertools import islice
from typing import overload

from inventory.compute.journeys import Journey
from inventory.models import Movement, ShimFamily
from inventory.selectors.traced_books import journeys_of
from shop.models import Site

CHUNK = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class TracedShim:
    """A used shim that went into an engine, with where it came from.

    from_job, out: None where that is not known (it was found, counted in, or came from another site).
    could_be: the jobs that it may have come from, where equal shims lay together; the last twenty, and
    or_others where there are more; None among them stands for any engine, or none. certain: the books leave
    no other than from_job. nth: which of the shims that `into` put into the engine it was, from 0.
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
    or_others: bool
    certain: bool

    @property
    def days(self) -> int | None:
        """Whole days from the one engine to the other."""
        return None if self.out is None else (self.into.at - self.out.at).days

    @property
    def or_else(self) -> str:
        """Where it may have come from besides `out`, in words; empty where there is nothing to add."""
        jobs = len({*self.could_be} - {None})
        many = f"{'more than ' if self.or_others else ''}{jobs}"
        is_one = jobs == 1 and not self.or_others
        if self.certain or (self.out is None and not jobs):
            return ""
        if self.out is None:
            return "or an engine here" if is_one else f"or one of {many} engines here"
        if None in self.could_be:
            return "or not known" if jobs <= 1 else f"or one of {many}, or not known"
        return f"or one of {many}"

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
) -> "TracedShims":
    """Used shims that went into engines at a site, the last one first; of one family, else of all.

    A fit that was reversed put none in. job_id: only those that came out of this job's engine, or may have,
    or went into it; of what may have come from very many, what names this one. since, until: that went in
    from then on, and before. same_engine: only what went back into its own engine, or only the others.
    """
    wanted = _Wanted(
        family=None if family is None else family.pk,
        job_id=job_id,
        since=since,
        until=until,
        same_engine=same_engine,
    )
    return TracedShims(journeys_of(site), wanted)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    family: uuid.UUID | None
    job_id: uuid.UUID | None
    since: datetime | None
    until: datetime | None
    same_engine: bool | None

    def __contains__(self, journey: Journey) -> bool:
        if self.family is not None and journey.family != self.family:
            return False
        if self.job_id is not None and self.job_id != journey.to_job and not journey.may_be_of(self.job_id):
            return False
        if (self.since is not None and journey.at < self.since) or (
            self.until is not None and journey.at >= self.until
        ):
            return False
        back = journey.from_job is not None and journey.from_job == journey.to_job
        return self.same_engine is None or back == self.same_engine


class TracedShims(Sequence[TracedShim]):
    """The shims that are wanted, the last one first. Only those that are looked at are read up."""

    def __init__(self, journeys: list[Journey], wanted: _Wanted) -> None:
        self._journeys, self._wanted = journeys, wanted
        self._most = len(journeys)  # others may go on with the same list meanwhile

    def behind(self, last: tuple[int, int] | None, *, most: int, rising: bool = False) -> list[TracedShim]:
        """So many of those behind the one with this `into` and `nth`, from the beginning where it is None;
        the last one first, with `rising` the first one."""
        begin, end = 0, self._most
        if last is not None and rising:
            begin = bisect_right(self._journeys, last, hi=self._most, key=_place)
        elif last is not None:
            end = bisect_left(self._journeys, last, hi=self._most, key=_place)
        numbers = range(begin, end) if rising else reversed(range(begin, end))
        return _read_up(list(islice(self._those(numbers), most)))

    def __len__(self) -> int:
        return len(self._found)

    @overload
    def __getitem__(self, at: int) -> TracedShim: ...

    @overload
    def __getitem__(self, at: slice) -> list[TracedShim]: ...

    def __getitem__(self, at: int | slice) -> TracedShim | list[TracedShim]:
        if isinstance(at, slice):
            return _read_up(self._found[at])
        return _read_up([self._found[at]])[0]

    def __iter__(self) -> Iterator[TracedShim]:
        those = self._those(reversed(range(self._most)))
        while chunk := list(islice(those, CHUNK)):
            yield from _read_up(chunk)

    @cached_property
    def _found(self) -> list[Journey]:
        return list(self._those(reversed(range(self._most))))

    def _those(self, numbers: Iterator[int] | range) -> Iterator[Journey]:
        return (journey for journey in map(self._journeys.__getitem__, numbers) if journey in self._wanted)


def _place(journey: Journey) -> tuple[int, int]:
    return journey.in_seq, journey.nth


def _read_up(journeys: list[Journey]) -> list[TracedShim]:
    numbers = {number for journey in journeys for number in (journey.in_seq, journey.out_seq)}
    known = [number for number in numbers if number is not None]
    movements = Movement.objects.select_related("site").in_bulk(known)
    families = ShimFamily.objects.in_bulk({journey.family for journey in journeys})
    return [_traced(families[journey.family], journey, movements) for journey in journeys]


def _traced(family: ShimFamily, journey: Journey, movements: dict[int, Movement]) -> TracedShim:
    return TracedShim(
        family=family,
        nth=journey.nth,
        from_job=journey.from_job,
        out=None if journey.out_seq is None else movements[journey.out_seq],
        out_nm=journey.out_nm,
        to_job=journey.to_job,
        into=movements[journey.in_seq],
        in_nm=journey.in_nm,
        could_be=journey.could_be,
        or_others=journey.or_others,
        certain=journey.certain,
    )
