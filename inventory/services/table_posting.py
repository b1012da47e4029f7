"""Bring thousands of balances to counted figures: planned at leisure, written whole in one short transaction.

Everything that does not need the books to hold still is done beforehand, in pieces, so that nobody waits for
it: the missing balances are made (each with nothing in it), the movements are put together and encoded. What
is left for the one transaction is a look whether the figures are still those of the plan, two bulk inserts,
and a seal per movement. Killed at any point it leaves either everything or, of the preparation, balances of
zero, which mean nothing and are used by the next try.

Lock law: as in `ledger`. On PostgreSQL the lines go in, and their references are checked, before any balance
is locked: until then nobody waits but who retires one of the bins. On SQLite a writer has the database to
himself from the start.
"""

import itertools
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import NamedTuple

from django.db import connection

from inventory.models import Balance, ChainHead, Movement, MovementSeal, Place, PlaceKind, Reason
from inventory.selectors.places import place_of
from inventory.services.ledger import (
    MOST_LINES,
    MOST_QUANTITY,
    ShimKey,
    canonical,
    digest_of,
    encoded,
    lock_places,
    upsert_balances,
)
from inventory.services.texts import check_texts
from shop.actor import Actor
from shop.db import atomic_write
from shop.db.bulk import insert_plain_rows, plain
from shop.errors import Conflict
from shop.models import Site

AT_ONCE = 1_000
MOST_NAMED = 5
_LINE = ("movement_id", "position", "place_id", "family_id", "thickness_nm", "condition", "quantity")

Say = Callable[[int, int], None]
"""Told how much of the preparation is done, of how much; called outside transactions only."""


class Counted(NamedTuple):
    """One balance, in the order of locking, from what it had when it was looked at to what was counted.

    row: where it stands in the table that it comes from.
    """

    key: ShimKey
    was: int
    now: int
    row: int


class _Entry(NamedTuple):
    """A line as `ledger.canonical` reads it."""

    position: int
    place_id: uuid.UUID
    family_id: uuid.UUID
    thickness_nm: int
    condition: str
    quantity: int


class CountedTable:
    """A table of counts, prepared by `prepare`; `write` books it inside the caller's write transaction."""

    def __init__(self, *, site: Site, places: Mapping[uuid.UUID, Place]) -> None:
        self._site = site
        self._places = places
        self._movements: list[Movement] = []
        self._lines: list[list[list]] = []
        self._texts: list[str] = []
        self._expected: dict[int, Counted | None] = {}
        self._used: set[uuid.UUID] = set()

    def prepare(
        self, *, counted: Sequence[Counted], actor: Actor, at: datetime, document: str, note: str, say: Say
    ) -> None:
        """Make the balances that are missing and put the movements together; no shim is booked yet.

        `counted` names each balance once, each with another figure than it has, by at most `MOST_QUANTITY`.
        """
        check_texts(Movement, document=document, note=note)
        difference = place_of(self._site, PlaceKind.DIFFERENCE)
        self._used = {change.key.place_id for change in counted}
        places = {**self._places, difference.id: difference}
        outside = {change.key._replace(place_id=difference.id) for change in counted}
        wanted: dict[ShimKey, Counted | None] = {change.key: change for change in counted}
        wanted |= dict.fromkeys(outside)
        self._make_balances(wanted, places, say)
        self._expected = {pk: wanted[key] for key, pk in self._ids().items() if key in wanted}
        for entries in _packed(counted, difference.id):
            movement = Movement(
                site=self._site,
                reason=Reason.COUNT,
                at=at,
                actor=actor.label,
                user=actor.user,
                request_id=actor.request_id,
                document=document,
                note=note,
            )
            self._movements.append(movement)
            self._lines.append([_as_row(entry) for entry in entries])
            self._texts.append(encoded(canonical(movement, entries)))

    def write(self) -> None:
        """Book all of it. Raises Conflict when a balance is not what it was, or a bin is no longer in use."""
        if not self._movements:
            return
        self._lock_places()
        Movement.objects.bulk_create(self._movements)
        for movement, rows in zip(self._movements, self._lines, strict=True):
            for row in rows:
                row[0] = movement.seq
        rows = list(itertools.chain.from_iterable(self._lines))
        insert_plain_rows("inventory_movementline", _LINE, rows)
        _check_references_now()
        self._refuse_moved()
        head = ChainHead.objects.select_for_update().get(site=self._site)
        position, previous = head.position, head.hash
        for movement, lines, text in zip(self._movements, self._lines, self._texts, strict=True):
            position += 1
            sealed = digest_of(previous, text)
            # One by one: each seal must find the chain's head where the one before it left it.
            MovementSeal.objects.create(
                movement=movement,
                site=self._site,
                position=position,
                line_count=len(lines),
                previous_hash=previous,
                hash=sealed,
            )
            previous = sealed

    def _make_balances(
        self, wanted: Mapping[ShimKey, object], places: Mapping[uuid.UUID, Place], say: Say
    ) -> None:
        there = self._ids()
        missing = sorted(key for key in wanted if key not in there)
        for first in range(0, len(missing), AT_ONCE):
            chunk = missing[first : first + AT_ONCE]
            with atomic_write():
                upsert_balances({key: places[key.place_id] for key in chunk}, "DO NOTHING")
            say(first + len(chunk), len(missing))

    def _ids(self) -> dict[ShimKey, int]:
        rows = Balance.objects.filter(site=self._site).values_list(
            "id", "family_id", "place_id", "thickness_nm", "condition"
        )
        return {ShimKey(*key): pk for pk, *key in rows.iterator(chunk_size=AT_ONCE)}

    def _lock_places(self) -> None:
        """In pieces, of which each begins where the one before it ended: still the one order."""
        ids = sorted(self._used)
        retired: set[uuid.UUID] = set()
        for first in range(0, len(ids), AT_ONCE):
            retired |= lock_places(ids[first : first + AT_ONCE])
        gone = sorted(self._places[place_id].code for place_id in retired)
        if gone:
            raise Conflict(
                f"Nothing was applied: {', '.join(gone[:MOST_NAMED])} is no longer in use. "
                "Bring the table in again."
            )

    def _refuse_moved(self) -> None:
        moved = [
            (change, on_hand, held)
            for pk, on_hand, held in self._locked()
            if (change := self._expected.get(pk)) and (on_hand != change.was or held > change.now)
        ]
        if moved:
            raise Conflict(
                refusal([(change, on_hand, held) for change, on_hand, held in moved], self._places)
            )

    def _locked(self) -> list[tuple[int, int, int]]:
        if connection.vendor == "sqlite":
            return list(Balance.objects.filter(site=self._site).values_list("id", "on_hand", "held"))
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT id, on_hand, held FROM inventory_balance WHERE id = ANY(%s)"
                " ORDER BY family_id, place_id, thickness_nm, condition FOR UPDATE",
                [list(self._expected)],
            )
            return cursor.fetchall()


def refusal(
    moved: Sequence[tuple[Counted, int, int]], places: Mapping[uuid.UUID, Place], most: int = MOST_NAMED
) -> str:
    """Why nothing was applied: (what was planned, on hand now, held now) of the balances that moved."""
    words = []
    for change, on_hand, held in sorted(moved, key=lambda found: found[0].row)[:most]:
        code = places[change.key.place_id].code
        words.append(
            f"Row {change.row}: {code} had {change.was} when the table was checked and has {on_hand} now."
            if on_hand != change.was
            else f"Row {change.row}: {held} in {code} are held now, more than the {change.now} counted."
        )
    more = len(moved) - len(words)
    if more:
        words.append(f"So it is with {more} more rows.")
    return f"{' '.join(words)} Nothing was applied; bring the table in again."


def _packed(counted: Sequence[Counted], difference: uuid.UUID) -> Iterator[list[_Entry]]:
    """The lines of each movement. Shims of one size share their line at the count difference as far as a
    line's quantity goes; surplus and shortfall stay apart, so that one does not hide the other."""
    lines: list[_Entry] = []

    def add(key: ShimKey, place_id: uuid.UUID, quantity: int) -> None:
        lines.append(_Entry(len(lines), place_id, key.family_id, key.thickness_nm, key.condition, quantity))

    def size(change: Counted) -> tuple:
        key = change.key
        return key.family_id, key.thickness_nm, key.condition, change.now > change.was

    for _, group in itertools.groupby(sorted(counted, key=lambda c: (size(c), c.key)), key=size):
        open_sum, last = 0, None
        for change in group:
            by = change.now - change.was
            if open_sum and (len(lines) + 2 > MOST_LINES or abs(open_sum + by) > MOST_QUANTITY):
                add(last, difference, -open_sum)
                open_sum = 0
            if len(lines) + 2 > MOST_LINES and not open_sum:
                yield lines
                lines = []
            add(change.key, change.key.place_id, by)
            open_sum, last = open_sum + by, change.key
        add(last, difference, -open_sum)
        if len(lines) + 2 > MOST_LINES:
            yield lines
            lines = []
    if lines:
        yield lines


def _as_row(entry: _Entry) -> list:
    """The line as it is inserted; the movement's number comes first, once it has one."""
    if connection.vendor == "sqlite":
        return [0, *map(plain, entry)]
    return [0, *entry]


def _check_references_now() -> None:
    """On PostgreSQL the references of the new lines are checked at the commit, with all locks held; here they
    are checked while nobody waits yet."""
    if connection.vendor != "postgresql":
        return
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT quote_ident(conname) FROM pg_constraint WHERE contype = 'f' AND condeferrable"
            " AND conrelid IN ('inventory_movement'::regclass, 'inventory_movementline'::regclass)"
        )
        names = ", ".join(name for (name,) in cursor.fetchall())
        cursor.execute(f"SET CONSTRAINTS {names} IMMEDIATE")
