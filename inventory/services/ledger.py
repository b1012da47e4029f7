"""The one writer of movements and balances.

Lock law: a purchase list and its needs, then hold rows by id, then the rows of bins and other places by id,
then balance rows in (family, place, thickness, condition) order, the site's chain head last. Each kind is
locked by one statement. Stock is taken by one conditional UPDATE that decides (law 2): two people after the
last shim queue on its row, and the second is told at once.
"""

import hashlib
import json
import uuid
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple

from django.db import connection
from django.db.models import F

from inventory.compute.lengths import show
from inventory.models import (
    Balance,
    ChainHead,
    Condition,
    Movement,
    MovementLine,
    MovementSeal,
    Place,
    Reason,
)
from inventory.services.texts import check_texts
from shop.actor import Actor
from shop.db.written import ask, change
from shop.errors import FieldError, Invalid, NotEnough, WrongState
from shop.models import Site

MOST_LINES = 500
MOST_QUANTITY = 100_000
_encode = json.JSONEncoder(ensure_ascii=True, separators=(",", ":")).encode


class ShimKey(NamedTuple):
    """One balance, in the order in which balances are locked."""

    family_id: uuid.UUID
    place_id: uuid.UUID
    thickness_nm: int
    condition: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """So many shims into `place` (quantity above zero) or out of it (below).

    pointer: where the caller's user keyed it in, for the message when there are too few.
    """

    place: Place
    family_id: uuid.UUID
    thickness_nm: int
    condition: str
    quantity: int
    pointer: str = ""

    @property
    def key(self) -> ShimKey:
        return ShimKey(self.family_id, self.place.id, self.thickness_nm, self.condition)


def transfer(
    *,
    source: Place,
    target: Place,
    family_id: uuid.UUID,
    thickness_nm: int,
    condition: str,
    quantity: int,
    pointer: str = "",
) -> tuple[Line, Line]:
    """The two lines that take `quantity` shims from one place to another."""
    shim = {"family_id": family_id, "thickness_nm": thickness_nm, "condition": condition, "pointer": pointer}
    return (
        Line(place=source, quantity=-quantity, **shim),
        Line(place=target, quantity=quantity, **shim),
    )


def post_movement(
    *,
    site: Site,
    reason: Reason,
    actor: Actor,
    at: datetime,
    lines: Sequence[Line],
    job_id: uuid.UUID | None = None,
    document: str = "",
    note: str = "",
    reverses: Movement | None = None,
    unhold: Mapping[ShimKey, int] | None = None,
    hold: Mapping[ShimKey, int] | None = None,
    locked: bool = False,
) -> Movement:
    """Write one movement whole. Call inside a write transaction.

    `unhold` gives promised shims free in the same step as they are taken; `hold` promises shims in the place
    where this movement puts them; `locked` says that `lock_balances` was called for all of it. Raises
    NotEnough, with an error per line that falls short, Invalid for lines that are too many, zero, or do not
    sum to zero per family and for words that are too long, and WrongState for a bin or tray that is no longer
    in use.
    """
    check_texts(Movement, document=document, note=note)
    _refuse_bad_lines(lines)
    if not locked:
        lock_balances(lines, unhold or ())
    _take_all(lines, unhold or {})
    movement = Movement.objects.create(
        site=site,
        reason=reason,
        at=at,
        actor=actor.label,
        user=actor.user,
        request_id=actor.request_id,
        job_id=job_id,
        document=document,
        note=note,
        reverses=reverses,
    )
    rows = MovementLine.objects.bulk_create(
        MovementLine(
            movement=movement,
            position=position,
            place=line.place,
            family_id=line.family_id,
            thickness_nm=line.thickness_nm,
            condition=line.condition,
            quantity=line.quantity,
        )
        for position, line in enumerate(lines)
    )
    _seal(movement, rows)
    for key, quantity in sorted((hold or {}).items()):
        # The row is ours since lock_balances, and the seal has just put the shims there.
        _rows(key).update(held=F("held") + quantity)
    return movement


def _take_all(lines: Sequence[Line], unhold: Mapping[ShimKey, int]) -> None:
    """Give promises free and refuse what would fall short; the balances are locked."""
    net: dict[ShimKey, int] = dict.fromkeys(unhold, 0)
    outside: set[ShimKey] = set()
    for line in lines:
        net[line.key] = net.get(line.key, 0) + line.quantity
        if line.place.is_outside:
            outside.add(line.key)
    short: list[FieldError] = []
    for key in sorted(set(net) - outside):
        taken, release = max(-net[key], 0), unhold.get(key, 0)
        if (taken or release) and not take(key, taken, release):
            if not taken:
                raise AssertionError("a hold line without its balance: run the audit")
            short += _shortage(key, taken, release, lines)
    if short:
        details = "; ".join(dict.fromkeys(error.detail for error in short))
        raise NotEnough(f"Not enough shims: {details}.", errors=short)


def lock_balances(lines: Iterable[Line], promised: Iterable[ShimKey] = ()) -> None:
    """Lock every balance of the lines, making those that are new, and of the promises, in the one order.

    Before the first movement of an act that writes more than one: each movement ends by locking the chain
    head, and whoever then asks for a further balance waits for one who waits for the head. Raises WrongState
    when shims would go to a bin or tray that is no longer in use.
    """
    lines = list(lines)
    _lock_places_of(lines)
    places = {line.key: line.place for line in lines}
    if unknown := set(promised) - set(places):
        found = Place.objects.in_bulk({key.place_id for key in unknown})
        places |= {key: found[key.place_id] for key in unknown}
    if not places:
        return
    upsert_balances(places, "DO UPDATE SET held = inventory_balance.held")


def upsert_balances(places: Mapping[ShimKey, Place], otherwise: str) -> None:
    """Make the balances that are missing, in the one order; `otherwise` is what SQL does with the others.

    One upsert: two first comers cannot collide, and its rows are locked in the order in which they stand.
    """
    convert = Balance._meta.get_field("place").target_field.get_db_prep_value
    rows = [
        (
            convert(places[key].site_id, connection),
            convert(key.place_id, connection),
            convert(key.family_id, connection),
            key.thickness_nm,
            str(key.condition),
            places[key].is_outside,
        )
        for key in sorted(places)
    ]
    values = ", ".join(["(%s, %s, %s, %s, %s, %s)"] * len(rows))
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO inventory_balance (site_id, place_id, family_id, thickness_nm, condition, outside)"  # noqa: S608
            f" VALUES {values}"
            f" ON CONFLICT (place_id, family_id, thickness_nm, condition) {otherwise}",
            [value for row in rows for value in row],
        )


def _lock_places_of(lines: Sequence[Line]) -> None:
    """Keep the bins and trays of these lines from being retired meanwhile; refuse those that shims would go
    to and that were retired before."""
    inside = [line for line in lines if not line.place.is_outside]
    retired = lock_places({line.place.id for line in inside})
    targets = {line.place.id: line for line in reversed(inside) if line.quantity > 0}
    if not retired & targets.keys():
        return
    errors = [
        FieldError(targets[place_id].pointer, f"{targets[place_id].place.code} is no longer in use")
        for place_id in targets
        if place_id in retired
    ]
    details = "; ".join(error.detail for error in errors)
    raise WrongState(f"Nothing was booked: {details}. Choose another place.", errors=errors)


def lock_places(place_ids: Collection[uuid.UUID]) -> set[uuid.UUID]:
    """Keep these places from being retired or merged until the transaction ends; those that were retired.

    Whoever retires or merges bins locks their rows FOR UPDATE and then their balances. A row that refers to a
    place takes this same lock when it is written, so it is taken here, before any balance: else a movement or
    a hold that has the balance waits for the bin, and the merge that has the bin for the balance.
    """
    if not place_ids:
        return set()
    # Django has no word for this lock. Writers on SQLite have the database to themselves anyway.
    lock = " FOR KEY SHARE" if connection.features.has_select_for_update else ""
    found = ask(
        "SELECT id, retired_at IS NOT NULL FROM inventory_place"  # noqa: S608 - placeholders only
        f" WHERE id IN ({', '.join(['%s'] * len(place_ids))}) ORDER BY id{lock}",
        *place_ids,
    )
    return {Place._meta.pk.to_python(place_id) for place_id, is_retired in found if is_retired}


def take(key: ShimKey, quantity: int, release: int = 0) -> bool:
    """Give `release` promised shims free if that leaves `quantity` available; the row stays locked.

    One conditional UPDATE: it decides and locks in one step, on every database.
    """
    return _if_available(key, quantity, release, held_more=0)


def promise(key: ShimKey, quantity: int, release: int = 0) -> bool:
    """Hold `quantity` shims if so many are available once `release` others are given free; one conditional
    UPDATE."""
    return _if_available(key, quantity, release, held_more=quantity)


def _if_available(key: ShimKey, quantity: int, release: int, *, held_more: int) -> bool:
    return change(_IF_AVAILABLE, held_more - release, *key, release, quantity - release) == 1


_IF_AVAILABLE = """
    UPDATE inventory_balance SET held = held + %s
    WHERE family_id = %s AND place_id = %s AND thickness_nm = %s AND condition = %s
    AND held >= %s AND on_hand >= held + %s
"""


def give_free(key: ShimKey, quantity: int) -> None:
    """Take back a promise of `quantity` shims."""
    if not promise(key, 0, quantity):
        raise AssertionError("a hold line without its balance: run the audit")


def available(key: ShimKey) -> int:
    """On hand less held; 0 where there is no such balance."""
    found = _rows(key).values_list("on_hand", "held").first()
    return found[0] - found[1] if found else 0


def _rows(key: ShimKey):
    return Balance.objects.filter(
        place_id=key.place_id,
        family_id=key.family_id,
        thickness_nm=key.thickness_nm,
        condition=key.condition,
    )


def _shortage(key: ShimKey, wanted: int, release: int, lines: Sequence[Line]) -> list[FieldError]:
    """The same words for every line that takes from the balance, each under its own pointer."""
    taking = [line for line in lines if line.key == key and line.quantity < 0]
    words = (
        f"{wanted} × {show(key.thickness_nm)} mm {Condition(key.condition).label.lower()} asked from "
        f"{taking[0].place.code}, {available(key) + release} available"
    )
    return [FieldError(pointer, words) for pointer in dict.fromkeys(line.pointer for line in taking)]


def _refuse_bad_lines(lines: Sequence[Line]) -> None:
    if not 2 <= len(lines) <= MOST_LINES:
        raise Invalid(f"A movement has 2 to {MOST_LINES} lines; this one has {len(lines)}.")
    sums: dict[uuid.UUID, int] = defaultdict(int)
    for line in lines:
        if not 1 <= abs(line.quantity) <= MOST_QUANTITY:
            raise Invalid(
                f"A quantity is 1 to {MOST_QUANTITY:,}; this one is {abs(line.quantity)}.",
                errors=[FieldError(quantity_of(line.pointer), f"must be 1 to {MOST_QUANTITY:,}")],
            )
        sums[line.family_id] += line.quantity
    if any(sums.values()):
        raise Invalid("The lines of a movement must sum to zero per shim family.")


def quantity_of(pointer: str) -> str:
    """The pointer to a line's quantity, from the pointer to the line; "" stays what it is."""
    return f"{pointer}/quantity" if pointer else ""


def _seal(movement: Movement, lines: Sequence[MovementLine]) -> None:
    head = ChainHead.objects.select_for_update().get(site_id=movement.site_id)
    MovementSeal.objects.create(
        movement=movement,
        site_id=movement.site_id,
        position=head.position + 1,
        line_count=len(lines),
        previous_hash=head.hash,
        hash=chain_hash(head.hash, movement, lines),
    )


def chain_hash(previous: str, movement: Movement, lines: Iterable[MovementLine]) -> str:
    """SHA-256 over the hash before and the movement in one canonical form, as 64 hex digits."""
    return digest(previous, canonical(movement, lines))


def digest(previous: str, fields: list[Any]) -> str:
    """The hash of a movement in its canonical form after the one before it."""
    return digest_of(previous, encoded(fields))


def encoded(fields: list[Any]) -> str:
    """The canonical form as the text that is hashed."""
    return _encode(fields)


def digest_of(previous: str, text: str) -> str:
    """The hash of a movement from its encoded form."""
    return hashlib.sha256((previous + text).encode()).hexdigest()


def canonical(movement: Movement, lines: Iterable[MovementLine]) -> list[Any]:
    """Every field of a movement and its lines, as texts and numbers that do not depend on the database.

    `selectors.chain` reads the same from the database without making models of it.
    """
    return [
        str(movement.uid),
        str(movement.site_id),
        str(movement.reason),
        movement.at.astimezone(UTC).isoformat(timespec="microseconds"),
        movement.actor,
        str(movement.user_id or ""),
        movement.request_id,
        str(movement.job_id or ""),
        movement.document,
        movement.note,
        str(movement.reverses_id or ""),
        [
            [
                line.position,
                str(line.place_id),
                str(line.family_id),
                line.thickness_nm,
                str(line.condition),
                line.quantity,
            ]
            for line in sorted(lines, key=lambda line: line.position)
        ],
    ]
