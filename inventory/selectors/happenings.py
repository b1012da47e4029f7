"""What happened, told one by one: the kinds of happening, and a story made of several sources of them."""

import operator
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from heapq import merge
from typing import Any

from django.db.models import QuerySet

from inventory.selectors.history import CHUNK

Order = tuple[datetime, int, str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Happening:
    """One thing that happened.

    kind: movement, bin, count, hold, inspection or need. what: in a word or two. text: the particulars.
    seq: the movement's number, None for what is no movement. object_id: of the count, hold, … as text.
    place: the bin that something was done to. movement: under which id the movement is found; None for what
    is no movement.
    """

    at: datetime
    kind: str
    what: str
    by: str
    text: str
    seq: int | None
    object_id: str
    place: uuid.UUID | None = None
    movement: uuid.UUID | None = None

    @property
    def order(self) -> Order:
        """Where it stands in a story: no two things of one story have the same."""
        return self.at, self.number, self.object_id, self.what

    @property
    def number(self) -> int:
        return self.seq or 0

    @property
    def thing(self) -> str | None:
        """Under which id the bin, count, hold, inspection or need is found; None for what is none."""
        if self.kind == "bin":
            return None if self.place is None else str(self.place)
        return None if self.kind == "movement" else self.object_id


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What of a story is wanted: since is included, until is not; kind as in `Happening`."""

    since: datetime | None = None
    until: datetime | None = None
    kind: str | None = None


KINDS = {
    "movement": "Movements",
    "bin": "The bin itself",
    "count": "Counts",
    "hold": "Holds",
    "inspection": "Inspections",
    "need": "To buy",
}
ALL = Asked()


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One kind of thing that happened: rows with the newest first, and the field that says when."""

    kind: str
    time: str
    rows: QuerySet
    tell: Callable[[Any], Happening]

    def newest(self, asked: Asked, most: int | None) -> Iterator[Happening]:
        """The newest so many that are asked for; None for all, read in chunks."""
        if asked.kind not in (None, self.kind):
            return iter(())
        rows = self._within(asked)
        found = rows.iterator(chunk_size=CHUNK) if most is None else rows[:most]
        return (self.tell(row) for row in found)

    def before(self, asked: Asked, last: Order | None, most: int) -> Iterator[Happening]:
        """So many of the newest that stand behind `last`, by the clock; of the same moment all of them."""
        return self._beyond(asked, last, most, f"-{self.time}", operator.lt)

    def after(self, asked: Asked, last: Order | None, most: int) -> Iterator[Happening]:
        """So many of the oldest that came after `last`, as `before` gives the newest."""
        return self._beyond(asked, last, most, self.time, operator.gt)

    def _beyond(
        self, asked: Asked, last: Order | None, most: int, order: str, lies_beyond: Callable[[Any, Any], bool]
    ) -> Iterator[Happening]:
        if asked.kind not in (None, self.kind):
            return
        told: list[Happening] = []
        for row in self._within(asked).order_by(order).iterator(chunk_size=max(most, 100)):
            entry = self.tell(row)
            if last is not None and not lies_beyond(entry.order, last):
                continue
            if len(told) >= most and entry.at != told[-1].at:
                return
            told.append(entry)
            yield entry

    def _within(self, asked: Asked) -> QuerySet:
        rows = self.rows
        if asked.since is not None:
            rows = rows.filter(**{f"{self.time}__gte": asked.since})
        if asked.until is not None:
            rows = rows.filter(**{f"{self.time}__lt": asked.until})
        return rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """Everything that happened to one thing."""

    sources: tuple[Source, ...]

    def page(self, asked: Asked = ALL, *, limit: int = 50, offset: int = 0) -> list[Happening]:
        """So many of it, the newest first."""
        found = [entry for source in self.sources for entry in source.newest(asked, limit + offset)]
        return sorted(found, key=_when, reverse=True)[offset : offset + limit]

    def behind(self, last: Order | None, asked: Asked = ALL, *, most: int = 50) -> list[Happening]:
        """So many of those behind the one that stands there, the newest first, also where a clock was put
        back; from the newest on where it is None."""
        if last is not None:
            then = last[0] + timedelta.resolution
            asked = replace(asked, until=then if asked.until is None else min(asked.until, then))
        found = [entry for source in self.sources for entry in source.before(asked, last, most)]
        return sorted(found, key=lambda entry: entry.order, reverse=True)[:most]

    def after(self, last: Order | None, asked: Asked = ALL, *, most: int = 50) -> list[Happening]:
        """So many of those that came after the one that stands there, the oldest first; from the oldest on
        where it is None."""
        if last is not None:
            asked = replace(asked, since=last[0] if asked.since is None else max(asked.since, last[0]))
        found = [entry for source in self.sources for entry in source.after(asked, last, most)]
        return sorted(found, key=lambda entry: entry.order)[:most]

    def whole(self, asked: Asked = ALL) -> Iterator[Happening]:
        """All of it for an export; memory does not grow with it. Where a clock was put back, each kind of
        thing stands in its own order."""
        return merge(*(source.newest(asked, None) for source in self.sources), key=_when, reverse=True)


def _when(entry: Happening) -> tuple[datetime, int, str]:
    return entry.at, entry.seq or 0, entry.object_id
