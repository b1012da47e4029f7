"""Enter and change many bins at once: checked beforehand, written in one short transaction."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import connection

from inventory.models import Place, PlaceEvent, PlaceKind
from inventory.services.bins import as_added, lock_cabinets, position_in_words, use_in_words
from inventory.services.rows import check_fields
from shop.actor import Actor
from shop.db.bulk import insert_rows
from shop.errors import Conflict
from shop.models import Site
from shop.roles import Action

EDITED = ("cabinet", "row", "column", "family_id", "size_nm", "capacity")
AT_ONCE = 1_000
AGAIN = "Nothing was applied; bring the table in again."


@dataclass(slots=True, kw_only=True)
class BinTableWrite:
    """New bins and other places and uses for bins that are there; `write` inside a write transaction."""

    site: Site
    actor: Actor
    at: datetime
    new: list[Place] = field(default_factory=list)
    changed: list[tuple[Place, int]] = field(default_factory=list)
    moved: list[Place] = field(default_factory=list)
    events: list[PlaceEvent] = field(default_factory=list)

    def add(self, code: str, fields: Mapping[str, Any]) -> None:
        """A bin that is not there yet. Raises Invalid for what no bin can be."""
        place = Place(site=self.site, kind=PlaceKind.BIN, code=code, **fields)
        check_fields(place, f"The bin {code} cannot be entered")
        self.new.append(place)
        self._happened(place, PlaceEvent.Act.ADD, f"{as_added(place)}, by a table")

    def change(self, place: Place, fields: Mapping[str, Any]) -> None:
        """What a bin is to be from now on; its code and history stay. Raises Invalid."""
        stood, kept, seen = position_in_words(place), use_in_words(place), place.version
        for name, value in fields.items():
            setattr(place, name, value)
        check_fields(place, f"The bin {place.code} stays as it is")
        place.version += 1
        self.changed.append((place, seen))
        if (stands := position_in_words(place)) != stood:
            self.moved.append(place)
            self._happened(place, PlaceEvent.Act.RELOCATE, f"From {stood} to {stands}, by a table")
        if (keeps := use_in_words(place)) != kept:
            self._happened(place, PlaceEvent.Act.EDIT, f"Was {kept}; now {keeps}")

    def _happened(self, place: Place, act: PlaceEvent.Act, text: str) -> None:
        most = PlaceEvent._meta.get_field("text").max_length
        event = {"place": place, "act": act, "at": self.at, "by": self.actor.label, "user": self.actor.user}
        self.events.append(PlaceEvent(**event, text=text[:most]))

    def write(self) -> None:
        """Enter and change all of them. Raises Conflict when somebody changed a bin meanwhile."""
        self.actor.must(Action.EDIT_CATALOGUE, self.site)
        lock_cabinets(self.site)
        self._refuse_taken()
        self._clear()
        columns = [column.attname for column in Place._meta.concrete_fields]
        quoted = [connection.ops.quote_name(name) for name in columns]
        rows = ([getattr(place, name) for name in columns] for place in self.new)
        insert_rows("inventory_place", quoted, rows)
        self._update()
        PlaceEvent.objects.bulk_create(self.events, batch_size=AT_ONCE)

    def _refuse_taken(self) -> None:
        """Codes that were taken since the check, and positions where another bin stands."""
        codes = {place.code.casefold() for place in self.new}
        ours = {place.pk for place, _ in self.changed}
        positions = {_position(place): place.code for place in self.new}
        positions |= {_position(place): place.code for place, _ in self.changed}
        positions.pop(("", None, None), None)
        rows = Place.objects.filter(site=self.site).values_list(
            "pk", "code", "kind", "retired_at", "cabinet", "row", "column"
        )
        for pk, code, kind, retired_at, *position in rows:
            if code.casefold() in codes:
                raise Conflict(f"There is a place {code} by now. {AGAIN}")
            if kind != PlaceKind.BIN or retired_at is not None or pk in ours:
                continue
            if other := positions.get(tuple(position)):
                raise Conflict(f"{code} stands where the table puts {other}. {AGAIN}")

    def _clear(self) -> None:
        """Bins that change places with each other have none for a moment: no position is taken twice."""
        for first in range(0, len(self.moved), AT_ONCE):
            keys = [place.pk for place in self.moved[first : first + AT_ONCE]]
            Place.objects.filter(pk__in=keys).update(cabinet="", row=None, column=None)

    def _update(self) -> None:
        if not self.changed:
            return
        sets = ", ".join(f"{connection.ops.quote_name(name)} = %s" for name in EDITED)
        fields = [Place._meta.get_field(name.removesuffix("_id")) for name in EDITED]
        key = Place._meta.pk
        rows = [
            [
                *(
                    column.get_db_prep_save(getattr(place, column.attname), connection=connection)
                    for column in fields
                ),
                key.get_db_prep_save(place.pk, connection=connection),
                seen,
            ]
            for place, seen in self.changed
        ]
        with connection.cursor() as cursor:
            cursor.executemany(
                f"UPDATE inventory_place SET {sets}, version = version + 1"  # noqa: S608 - our own columns
                " WHERE id = %s AND version = %s AND retired_at IS NULL",
                rows,
            )
            if cursor.rowcount != len(rows):
                raise Conflict(f"Somebody changed one of the bins meanwhile. {AGAIN}")


def _position(place: Place) -> Sequence[Any]:
    return place.cabinet, place.row, place.column
