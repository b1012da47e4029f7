"""Counting bins, blind: opened, begun, keyed in; counted again by somebody else where the first differs.

The floor works on meanwhile. A count names the links of the site's chain between which it was made, and its
differences are against what the books said then, so that movements made later stay right when it is posted.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from inventory.compute.lengths import Length, LengthError
from inventory.compute.sizes import check_new_shim, check_used_shim
from inventory.compute.variance import (
    Finding,
    Tallied,
    conclude,
    gross_value,
    needs_approval,
    possible_differences,
)
from inventory.models import (
    BinCount,
    Condition,
    Place,
    ShimFamily,
    TalliedLot,
    Tally,
)
from inventory.selectors.as_of import link_now
from inventory.selectors.counting import COUNTED_KINDS, CountSheet, LotKey, books_over, count_sheet, due
from inventory.selectors.worth import worth_of
from inventory.services.ledger import MOST_LINES, MOST_QUANTITY
from inventory.services.numbering import next_number
from inventory.services.texts import check_texts, in_words
from shop.actor import Actor
from shop.conf import conf
from shop.db import write_transaction
from shop.errors import Conflict, FieldError, Forbidden, Invalid, WrongState
from shop.models import Site, User
from shop.roles import Action

MOST_PLACES = 200
# A difference in every lot would be one movement, of two lines each.
MOST_LOTS = MOST_LINES // 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """So many shims of one kind, as somebody counted them."""

    family: ShimFamily
    thickness: Length
    condition: str
    quantity: int

    @property
    def key(self) -> LotKey:
        return LotKey(self.family.pk, self.thickness.nm, str(self.condition))


@write_transaction
def open_counts(
    *,
    site: Site,
    actor: Actor,
    at: datetime,
    places: Sequence[Place],
    why: str = "",
    turns: Mapping[Place, str] | None = None,
) -> list[BinCount]:
    """Ask for bins (or receiving, or inspection) to be counted: one count each, in the order given.

    A place that is under count already keeps that count: asking twice does nothing. `turns`: why it is a
    place's turn, for those for which `why` says nothing else.
    """
    actor.must(Action.COUNT, site)
    check_texts(BinCount, why=why)
    _refuse_bad_places(places, site)
    number = next_number(site, BinCount.objects.filter(site=site))
    under_count = {
        count.place_id: count
        for count in BinCount.objects.filter(place__in=places, state__in=BinCount.OPEN_STATES)
    }
    for place in places:
        if place.pk in under_count:
            continue
        under_count[place.pk] = BinCount.objects.create(
            site=site,
            number=number,
            place=place,
            why=why or (turns or {}).get(place, ""),
            opened_at=at,
            opened_by=actor.label,
        )
        number += 1
    return [under_count[place.pk] for place in dict.fromkeys(places)]


@write_transaction
def open_due_counts(*, site: Site, actor: Actor, at: datetime) -> list[BinCount]:
    """Ask for the bins whose turn it is: as many as the day's setting allows beside those opened this day
    and those still open. Safe to run twice."""
    actor.must(Action.COUNT, site)
    today = BinCount.objects.filter(site=site, opened_at__date=at.date())
    waiting = BinCount.objects.filter(site=site, state__in=BinCount.OPEN_STATES)
    most = conf.counts_per_day - (today | waiting).count()
    opened = []
    for place, turn in due(site, at=at, most=most):
        opened += open_counts(site=site, actor=actor, at=at, places=[place], why=turn.why)
    return opened


@write_transaction
def begin_count(*, count: BinCount, actor: Actor, at: datetime) -> CountSheet:
    """Somebody starts to count: the sheet, which names the lots and not how many.

    Beginning again is allowed and counts from then. Raises Conflict (code `same-person`) for the person who
    counted last, WrongState when nothing is to be counted.
    """
    actor.must(Action.COUNT, count.site)
    person = _person(actor)
    count = _to_count(count, person)
    tally, _ = Tally.objects.update_or_create(
        count=count,
        user=person,
        keyed_at=None,
        defaults={"by": actor.label, "started_at": at, "started_link": link_now(count.site)},
    )
    tally.count = count
    return count_sheet(tally)


@write_transaction
def key_count(*, count: BinCount, actor: Actor, at: datetime, found: Sequence[Found]) -> BinCount:
    """Key in what is in the bin. Every lot of the sheet needs a figure, 0 included; others may be added.

    Without `begin_count` before it, the bin is taken to have been counted just now. The count comes back as
    agreeing, to be counted again by somebody else, or differing; it says to nobody what the books expect.
    """
    actor.must(Action.COUNT, count.site)
    person = _person(actor)
    count = _to_count(count, person)
    now = link_now(count.site)
    tally = Tally.objects.filter(count=count, user=person, keyed_at=None).first()
    if tally is None:
        tally = Tally(count=count, user=person, started_at=at, started_link=now)
    books = books_over(count.place, tally.started_link, now)
    _refuse_bad_found(found, books)
    tally.by, tally.keyed_at, tally.keyed_link = actor.label, at, now
    tally.save()
    TalliedLot.objects.bulk_create(
        TalliedLot(
            tally=tally,
            family_id=lot.key.family_id,
            thickness_nm=lot.key.thickness_nm,
            thickness_keyed=lot.thickness.keyed,
            condition=lot.key.condition,
            counted=lot.quantity,
            possible=sorted(possible_differences(lot.quantity, books.get(lot.key, [0]))),
        )
        for lot in sorted(found, key=lambda lot: lot.key)
    )
    return _conclude(count, tally, actor=actor, at=at)


def _conclude(count: BinCount, tally: Tally, *, actor: Actor, at: datetime) -> BinCount:
    """Bring the count to the state that its tallies come to."""
    tallies = count.tallies.filter(keyed_at__isnull=False).prefetch_related("lots")
    # The one just keyed in is the last, whatever a clock says that was put back meanwhile.
    in_order = sorted(tallies, key=lambda each: (each.pk == tally.pk, each.keyed_at, each.pk))
    result = conclude(
        [
            Tallied(
                person=each.user_id,
                possible={_key(lot): frozenset(lot.possible) for lot in each.lots.all()},
            )
            for each in in_order
        ]
    )
    if result.finding is Finding.AGREES:
        count.state = BinCount.State.AGREES
        count.closed_at, count.closed_by = at, actor.label
    elif result.finding is Finding.COUNT_AGAIN:
        count.state = BinCount.State.AGAIN
    else:
        _value(count, in_order[-1], result.differences)
    count.version += 1
    count.save()
    return count


def _value(count: BinCount, tally: Tally, differences: Mapping[Hashable, int]) -> None:
    """Two persons found the same: say what the differences are worth, and whether a manager must see them."""
    lots = {_key(lot): lot for lot in tally.lots.all()}
    for key in differences:
        if key not in lots:
            raise AssertionError("a difference in a lot that the last count says nothing of")
    worth = worth_of({lot.family_id for lot in lots.values()})
    for key, lot in lots.items():
        lot.difference = differences.get(key, 0)
        lot.unit_value = worth.of(lot.family_id, lot.condition)
    TalliedLot.objects.bulk_update(lots.values(), ["difference", "unit_value"])
    tally.confirmed = True
    tally.save(update_fields=["confirmed"])
    found = ((lot.difference or 0, lot.unit_value) for lot in lots.values())
    gross = gross_value(found, worth.currency)
    count.gross_value, count.currency = gross, worth.currency
    above = needs_approval(gross, conf.count_approval_value)
    count.state = BinCount.State.TO_APPROVE if above else BinCount.State.DIFFERS


def _key(lot: TalliedLot) -> LotKey:
    return LotKey(lot.family_id, lot.thickness_nm, lot.condition)


def lock_count(count: BinCount) -> BinCount:
    """The count as it is now, locked."""
    return BinCount.objects.select_for_update(of=("self",)).select_related("site", "place").get(pk=count.pk)


def _person(actor: Actor) -> User:
    if actor.user is None:
        raise Forbidden("A count is a person's: log in, or use a person's key.")
    return actor.user


def _to_count(count: BinCount, person: User) -> BinCount:
    count = lock_count(count)
    if not count.is_to_count:
        raise WrongState(f"{count} of {count.place.code} is not to be counted: {_state(count)}.")
    last = count.tallies.filter(keyed_at__isnull=False).order_by("-keyed_at", "-id").first()
    if last is not None and last.user_id == person.pk:
        raise Conflict(
            f"You counted {count.place.code} last; now somebody else counts it.", code="same-person"
        )
    return count


def _state(count: BinCount) -> str:
    return count.get_state_display().lower()


def _refuse_bad_places(places: Sequence[Place], site: Site) -> None:
    if not 1 <= len(places) <= MOST_PLACES:
        words = f"name 1 to {MOST_PLACES} bins at a time; these are {len(places)}"
        raise Invalid(f"Nothing was opened: {words}.", errors=[FieldError("/places", words)])
    errors = [
        FieldError(f"/places/{index}", f"{place.code} is nothing that is counted at {site.name}")
        for index, place in enumerate(places)
        if place.site_id != site.id or place.kind not in COUNTED_KINDS or place.retired_at
    ]
    if errors:
        raise Invalid(in_words("Nothing was opened", errors), errors=errors)


def _refuse_bad_found(found: Sequence[Found], books: dict[LotKey, list[int]]) -> None:
    """Raise Invalid, naming each, for figures that cannot be, twice the same lot, and lots left out."""
    if len(found) > MOST_LOTS:
        words = f"name at most {MOST_LOTS} kinds of shim; these are {len(found)}"
        raise Invalid(f"Nothing was keyed in: {words}.", errors=[FieldError("/found", words)])
    errors, seen = [], set()
    for index, lot in enumerate(found):
        pointer = f"/found/{index}"
        if not 0 <= lot.quantity <= MOST_QUANTITY:
            errors.append(FieldError(f"{pointer}/quantity", f"must be 0 to {MOST_QUANTITY:,}"))
        if lot.condition not in Condition.values:
            words = f"must be one of {', '.join(Condition.values)}"
            errors.append(FieldError(f"{pointer}/condition", words))
        elif lot.key in seen:
            errors.append(FieldError(pointer, f"{_named(lot)} stands here twice; add them up"))
        elif lot.key not in books:
            errors += _wrong_thickness(lot, pointer)
        seen.add(lot.key)
    left_out = sum(1 for key, figures in books.items() if figures[0] and key not in seen)
    if left_out:
        lots = "one lot of the sheet has" if left_out == 1 else f"{left_out} lots of the sheet have"
        errors.append(FieldError("/found", f"{lots} no figure; key in 0 where there is none"))
    if errors:
        raise Invalid(in_words("Nothing was keyed in", errors), errors=errors)


def _wrong_thickness(lot: Found, pointer: str) -> list[FieldError]:
    check = check_new_shim if lot.condition == Condition.NEW else check_used_shim
    try:
        check(lot.family.range, lot.thickness)
    except LengthError as error:
        return [FieldError(f"{pointer}/thickness", error.message)]
    return []


def _named(lot: Found) -> str:
    return f"{lot.thickness} {Condition(lot.condition).label.lower()}"
