"""The care of bins: kept for something, relocated, retired, brought back. No bin's history is ever lost.

Who retires a bin locks its row FOR UPDATE and then looks at its balances; whoever puts shims into a bin holds
its row FOR KEY SHARE from before that (see `ledger`), so no shim goes into a bin that is being retired.
"""

from datetime import datetime

from inventory.compute.lengths import show
from inventory.compute.sizes import no_such_size, on_grid
from inventory.models import (
    Balance,
    BinCount,
    Hold,
    HoldLine,
    Movement,
    Place,
    PlaceEvent,
    PlaceKind,
    ShimFamily,
)
from inventory.services.ledger import MOST_QUANTITY
from inventory.services.place_codes import refuse_bad_code, refuse_taken_code, refuse_twin_cabinet
from inventory.services.rows import insert
from inventory.services.texts import counted, text_errors
from shop.actor import Actor
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, Invalid, StaleVersion, WrongState
from shop.models import Site
from shop.roles import Action

MOST_POSITION = 999  # rows and columns of a cabinet


@write_transaction
def edit_bin(
    *,
    place: Place,
    actor: Actor,
    at: datetime,
    family: ShimFamily | None,
    size_nm: int | None,
    capacity: int | None,
    version: int | None = None,
) -> Place:
    """Say what a bin is kept for and how many shims it takes; None where it takes any, and as many as may be.

    What lies in it stays there: what does not belong any more is shown as misplaced. `version`: the bin as
    the caller saw it, here and in every act below; StaleVersion when it was changed since.
    """
    actor.must(Action.EDIT_BINS, place.site)
    refuse_bad_use(family, size_nm, capacity)
    (place,) = lock_bins(place)
    refuse_stale(place, version)
    was = use_in_words(place)
    place.family, place.size_nm, place.capacity = family, size_nm, capacity
    if use_in_words(place) == was:
        raise Conflict(f"{place.code} is {was} already.")
    place.version += 1
    place.save(update_fields=["family", "size_nm", "capacity", "version"])
    words = f"Was {was}; now {use_in_words(place)}"
    record_event(place, PlaceEvent.Act.EDIT, words, actor=actor, at=at)
    return place


@write_transaction
def relocate_bin(
    *,
    place: Place,
    actor: Actor,
    at: datetime,
    cabinet: str,
    row: int,
    column: int,
    version: int | None = None,
) -> Place:
    """Give a bin another position, counted from 1; the bin that is there, if any, takes its place in turn."""
    actor.must(Action.EDIT_BINS, place.site)
    refuse_bad_position(cabinet, row, column)
    lock_cabinets(place.site)
    if cabinet != place.cabinet:
        refuse_twin_cabinet(place.site, cabinet)
    there = _at_position(place, cabinet, row, column)
    place, *others = lock_bins(place, *([there] if there else []))
    refuse_stale(place, version)
    was = position_in_words(place)
    if (place.cabinet, place.row, place.column) == (cabinet, row, column):
        raise Conflict(f"{place.code} is at {was} already.")
    if others:
        # Of two bins that change places one has none for a moment: no position is taken twice.
        Place.objects.filter(pk=place.pk).update(cabinet="", row=None, column=None)
    for other in others:
        other.cabinet, other.row, other.column = place.cabinet, place.row, place.column
        _save_position(other)
        record_event(
            other,
            PlaceEvent.Act.RELOCATE,
            f"From {position_in_words(place, cabinet, row, column)} to {was}, in exchange for {place.code}",
            actor=actor,
            at=at,
            other=place,
        )
    place.cabinet, place.row, place.column = cabinet, row, column
    _save_position(place)
    exchanged = f", in exchange for {others[0].code}" if others else ""
    words = f"From {was} to {position_in_words(place)}{exchanged}"
    record_event(
        place, PlaceEvent.Act.RELOCATE, words, actor=actor, at=at, other=others[0] if others else None
    )
    return place


@write_transaction
def retire_bin(
    *, place: Place, actor: Actor, at: datetime, note: str = "", version: int | None = None
) -> Place:
    """Take an empty bin out of use; its code stays taken and its history readable.

    Raises WrongState while it holds shims, is being counted, or shims from it are out in a tray.
    """
    actor.must(Action.EDIT_BINS, place.site)
    (place,) = lock_bins(place)
    refuse_stale(place, version)
    return retire_locked(place, actor=actor, at=at, note=note)


@write_transaction
def restore_bin(
    *, place: Place, actor: Actor, at: datetime, note: str = "", version: int | None = None
) -> Place:
    """Bring a retired bin back into use; without a position where another bin has taken it."""
    actor.must(Action.EDIT_BINS, place.site)
    lock_cabinets(place.site)
    place = _lock(place)[0]
    if place.retired_at is None:
        raise WrongState(f"{place.code} is in use.")
    refuse_stale(place, version)
    place.retired_at = None
    lost = ""
    if other := _at_position(place, place.cabinet, place.row, place.column):
        lost = f", without a place in a cabinet: {other.code} is at {position_in_words(place)}"
        place.cabinet, place.row, place.column = "", None, None
    place.version += 1
    place.save(update_fields=["retired_at", "cabinet", "row", "column", "version"])
    words = f"Back in use{lost}"
    words = f"{words}: {note}" if note.strip() else words
    record_event(place, PlaceEvent.Act.RESTORE, words, actor=actor, at=at)
    return place


def retire_locked(
    place: Place, *, actor: Actor, at: datetime, note: str, other: Place | None = None
) -> Place:
    """Retire a bin whose row is locked; see `retire_bin`."""
    left = Balance.objects.filter(place=place, on_hand__gt=0).count()
    if left:
        kinds = counted(left, "kind of shim", "kinds of shim")
        raise WrongState(f"{place.code} still holds {kinds}: move them, or merge the bin into another.")
    refuse_while_counted(place)
    coming = HoldLine.objects.filter(taken_from=place, hold__state=Hold.State.HELD).select_related("hold")
    if line := coming.first():
        raise WrongState(
            f"Shims from {place.code} are out for {line.hold.reference} and may come back: "
            "retire the bin once they are fitted or handed back."
        )
    place.retired_at = at
    place.version += 1
    place.save(update_fields=["retired_at", "version"])
    words = f"Out of use: {note}" if note.strip() else "Out of use"
    record_event(place, PlaceEvent.Act.RETIRE, words, actor=actor, at=at, other=other)
    return place


def lock_cabinets(site: Site) -> None:
    """Let one person at a time change what stands where at a site."""
    # NO KEY: whoever books a movement meanwhile refers to this row and need not wait.
    Site.objects.select_for_update(no_key=True).get(pk=site.pk)


def lock_bins(*places: Place) -> list[Place]:
    """The bins, locked and in use, in the order given. Raises Invalid for what is no bin, WrongState for
    one that was retired."""
    found = _lock(*places)
    for place in found:
        if place.retired_at is not None:
            raise WrongState(f"{place.code} is out of use: bring it back into use first.")
    return found


def refuse_stale(place: Place, version: int | None) -> None:
    """Raise StaleVersion when a locked bin is not the one that the caller saw; None: however it is now."""
    if version is not None and version != place.version:
        raise StaleVersion(
            f"Somebody changed {place.code} since you opened it, so nothing was done. Look at it as it is "
            "now and do it again if it is still right.",
            extra={"version": place.version},
        )


def refuse_while_counted(place: Place) -> None:
    """Raise WrongState while a count of the bin is open: it must be posted to the bin that was counted."""
    if BinCount.objects.filter(place=place, state__in=BinCount.OPEN_STATES).exists():
        raise WrongState(f"{place.code} is being counted: finish or cancel the count first.")


def refuse_bad_position(cabinet: str, row: int | None, column: int | None) -> None:
    """Raise Invalid unless this is a position in a cabinet."""
    errors = []
    most = Place._meta.get_field("cabinet").max_length
    if not cabinet.strip() or len(cabinet) > most:
        errors.append(FieldError("/cabinet", f"must have 1 to {most} characters"))
    errors += text_errors(Place, "cabinet", cabinet[:most], "/cabinet")
    for name, value in (("row", row), ("column", column)):
        if value is None or not 1 <= value <= MOST_POSITION:
            errors.append(FieldError(f"/{name}", f"must be 1 to {MOST_POSITION:,}"))
    if errors:
        details = "; ".join(f"{error.pointer[1:]} {error.detail}" for error in errors)
        raise Invalid(f"This is no position in a cabinet: {details}.", errors=errors)


def refuse_bad_use(family: ShimFamily | None, size_nm: int | None, capacity: int | None) -> None:
    """Raise Invalid for what a bin cannot be kept for, and for a capacity below one shim."""
    errors = []
    if size_nm is not None and (family is None or not on_grid(family.range, size_nm)):
        errors.append(_no_size_of(family, size_nm))
    if capacity is not None and not 1 <= capacity <= MOST_QUANTITY:
        errors.append(FieldError("/capacity", f"must be 1 to {MOST_QUANTITY:,}"))
    if errors:
        details = "; ".join(f"{error.pointer[1:]} {error.detail}" for error in errors)
        raise Invalid(f"A bin cannot be kept so: {details}.", errors=errors)


def new_bin(
    *,
    site: Site,
    code: str,
    cabinet: str,
    row: int,
    column: int,
    family: ShimFamily | None,
    size_nm: int | None,
    capacity: int | None,
) -> Place:
    """A bin at a free position; call with the site's cabinets locked, and record how it came about.

    Raises Invalid for what no bin can be, Conflict where another bin in use is at that position.
    """
    refuse_bad_position(cabinet, row, column)
    refuse_bad_use(family, size_nm, capacity)
    refuse_bad_code(code)
    refuse_taken_code(site, code)
    refuse_twin_cabinet(site, cabinet)
    place = Place(
        site=site,
        kind=PlaceKind.BIN,
        code=code,
        cabinet=cabinet,
        row=row,
        column=column,
        family=family,
        size_nm=size_nm,
        capacity=capacity,
    )
    refuse_taken_position(place)
    return insert(place, "The bin cannot be entered")


def _no_size_of(family: ShimFamily | None, size_nm: int) -> FieldError:
    if family is None:
        return FieldError("/family", "is needed with a size: say of which family it is")
    return FieldError("/size", no_such_size(family.range, size_nm, family.code))


def refuse_taken_position(place: Place) -> None:
    """Raise Conflict where another bin in use has this bin's position."""
    if other := _at_position(place, place.cabinet, place.row, place.column):
        words = f"{other.code} is at {position_in_words(place)}: choose a free position"
        raise Conflict(f"{words}.", errors=[FieldError("/column", words)])


def record_event(
    place: Place,
    act: PlaceEvent.Act,
    text: str,
    *,
    actor: Actor,
    at: datetime,
    other: Place | None = None,
    movement: Movement | None = None,
) -> PlaceEvent:
    """Write down what happened to a bin."""
    most = PlaceEvent._meta.get_field("text").max_length
    return PlaceEvent.objects.create(
        place=place,
        act=act,
        at=at,
        by=actor.label,
        user=actor.user,
        text=text[:most],
        other=other,
        movement=movement,
    )


def use_in_words(place: Place) -> str:
    """What a bin is kept for, for a sentence."""
    if place.family is None:
        kept = "for anything"
    elif place.size_nm is None:
        kept = f"for {place.family.code}"
    else:
        kept = f"for {show(place.size_nm)} mm of {place.family.code}"
    return kept if place.capacity is None else f"{kept}, up to {place.capacity}"


def as_added(place: Place) -> str:
    """Where a bin was when it was added, and what it was kept for."""
    return f"Added at {position_in_words(place)}, {use_in_words(place)}"


def position_in_words(
    place: Place, cabinet: str | None = None, row: int | None = None, column: int | None = None
) -> str:
    """Where a bin is, for a sentence; with a position named, that one."""
    if cabinet is None:
        cabinet, row, column = place.cabinet, place.row, place.column
    if not cabinet or row is None or column is None:
        return "no place in a cabinet"
    return f"cabinet {cabinet}, row {row}, column {column}"


def _lock(*places: Place) -> list[Place]:
    for place in places:
        if place.kind != PlaceKind.BIN:
            raise Invalid(f"{place.code} is no bin.", errors=[FieldError("/bin", "must be a bin")])
    rows = Place.objects.select_for_update(of=("self",)).select_related("site", "family").order_by("pk")
    locked = {row.pk: row for row in rows.filter(pk__in={place.pk for place in places})}
    return [locked[place.pk] for place in places]


def _at_position(place: Place, cabinet: str, row: int | None, column: int | None) -> Place | None:
    """Another bin in use at this position; None where there is none, or no position."""
    if not cabinet or row is None or column is None:
        return None
    return (
        Place.objects.filter(
            site=place.site_id,
            kind=PlaceKind.BIN,
            retired_at=None,
            cabinet=cabinet,
            row=row,
            column=column,
        )
        .exclude(pk=place.pk)
        .order_by("code")
        .first()
    )


def _save_position(place: Place) -> None:
    place.version += 1
    place.save(update_fields=["cabinet", "row", "column", "version"])
