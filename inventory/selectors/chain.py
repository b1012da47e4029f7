"""Every seal with what it seals, in the order of the chains, as rows of text and numbers.

The audit hashes millions of movements: models, and even the drivers' UUIDs and datetimes, cost several times
what the hash does. So each column comes as the very text that `ledger.canonical` puts into the hash.
"""
# ruff: noqa: S608 - what is put into this SQL stands in this file

from collections import defaultdict
from collections.abc import Iterator
from typing import Any, NamedTuple

from django.db import connection

CHUNK = 2_000
_TIME = """YYYY-MM-DD"T"HH24:MI:SS.US"+00:00\""""


class Link(NamedTuple):
    """One seal, and the fields of its movement as `ledger.canonical` orders them; None when it is gone."""

    movement: int
    site: str
    position: int
    previous_hash: str
    hash: str
    fields: list[Any] | None


def sealed_in_order() -> Iterator[Link]:
    """Every seal by site and position. Memory stays bounded: a chunk at a time."""
    text = _Text()
    with connection.chunked_cursor() as cursor:
        cursor.execute(_seals())
        while rows := cursor.fetchmany(CHUNK):
            lines = _lines_of([row[0] for row in rows], text)
            for seq, site, position, previous, digest, known, *fields in rows:
                movement = None if known is None else text.movement(fields, lines[seq])
                yield Link(seq, text.uuid(site), position, previous, digest, movement)


class _Text:
    """Columns as text. SQLite keeps a UUID as 32 digits; the few that come again and again are kept."""

    def __init__(self) -> None:
        self.known: dict[Any, str] = {None: ""}
        self.is_sqlite = connection.vendor == "sqlite"

    def uuid(self, value: str | None) -> str:
        found = self.known.get(value)
        if found is None:
            found = self.known[value] = _dashed(value) if self.is_sqlite else value
        return found

    def movement(self, fields: list[Any], lines: list[list[Any]]) -> list[Any]:
        uid, site, reason, at, actor, user, request, job, document, note, reverses = fields
        if self.is_sqlite:
            uid, at = _dashed(uid), _zoned(at)
            job = _dashed(job) if job else ""
        # Neither the movement's own id nor its job's comes again often enough to be kept.
        return [
            uid,
            self.uuid(site),
            reason,
            at,
            actor,
            self.uuid(user),
            request,
            job or "",
            document,
            note,
            "" if reverses is None else str(reverses),
            lines,
        ]


def _lines_of(movements: list[int], text: _Text) -> dict[int, list[list[Any]]]:
    cast = "" if text.is_sqlite else "::text"
    found: dict[int, list[list[Any]]] = defaultdict(list)
    wanted = ", ".join(["%s"] * len(movements))
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT movement_id, position, place_id{cast}, family_id{cast}, thickness_nm, condition,"
            f" quantity FROM inventory_movementline WHERE movement_id IN ({wanted})"
            " ORDER BY movement_id, position",
            movements,
        )
        for movement, position, place, family, thickness, condition, quantity in cursor.fetchall():
            line = [position, text.uuid(place), text.uuid(family), thickness, condition, quantity]
            found[movement].append(line)
    return found


def _seals() -> str:
    postgresql = connection.vendor == "postgresql"
    cast = "::text" if postgresql else ""
    # On SQLite as an expression: a plain column would be made a datetime by its declared type.
    at = f"to_char(m.at AT TIME ZONE 'UTC', '{_TIME}')" if postgresql else "m.at || ''"
    return f"""
        SELECT s.movement_id, s.site_id{cast}, s.position, s.previous_hash, s.hash, m.seq,
               m.uid{cast}, m.site_id{cast}, m.reason, {at}, m.actor, m.user_id{cast}, m.request_id,
               m.job_id{cast}, m.document, m.note, m.reverses_id
        FROM inventory_movementseal s LEFT JOIN inventory_movement m ON m.seq = s.movement_id
        ORDER BY s.site_id, s.position
    """


def _dashed(digits: str | None) -> str:
    """A UUID's 32 digits as its usual text. What is no UUID is left as it is, for the hash to differ."""
    text = digits or ""
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}" if len(text) == 32 else text


def _zoned(at: str) -> str:
    """SQLite's text of a time in UTC, as ISO 8601 with microseconds."""
    return f"{at[:10]}T{at[11:]}{'' if len(at) > 19 else '.000000'}+00:00"
