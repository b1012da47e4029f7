"""Lots as a person names them: what is wrong with them, and the ledger's lines that move them."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from inventory.compute.lengths import LengthError, from_nm
from inventory.compute.sizes import check_new_shim, check_used_shim
from inventory.models import Condition, Place, PlaceKind, ShimFamily
from inventory.services.ledger import MOST_LINES, MOST_QUANTITY, Line, transfer
from inventory.services.texts import in_words
from shop.errors import Conflict, FieldError, Invalid
from shop.models import Site

# Each takes a line of the movement out of its place and one into another.
MOST_LOTS = MOST_LINES // 2


class KeptForAnother(Conflict):
    """Shims would go into a bin that is kept for another family: is that meant?"""

    code = "kept-for-another"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shims:
    """So many equal shims, as an act names them. `place`: where from or where to, as the act says."""

    family: ShimFamily
    thickness_nm: int
    condition: str
    quantity: int
    place: Place | None = None


def lines_between(moves: Sequence[tuple[Place, Place, Shims]]) -> list[Line]:
    """The lines that take each lot from the first place to the second."""
    return [
        line
        for index, (source, target, shims) in enumerate(moves)
        for line in transfer(
            source=source,
            target=target,
            family_id=shims.family.id,
            thickness_nm=shims.thickness_nm,
            condition=shims.condition,
            quantity=shims.quantity,
            pointer=f"/lines/{index}",
        )
    ]


def refuse_bad_lots(
    shims: Sequence[Shims],
    site: Site,
    kinds: Collection[PlaceKind],
    *,
    pointers: Sequence[str] | None = None,
) -> None:
    """Raise Invalid, naming each, for lots that no place of these kinds at the site can have.

    Whether so many shims are there is the ledger's to say. `pointers`: one per lot, where they are not
    "/lines/<n>".
    """
    if not 1 <= len(shims) <= MOST_LOTS:
        words = f"name 1 to {MOST_LOTS} kinds of shim at a time; these are {len(shims)}"
        refuse([FieldError("/lines", words)])
    errors = []
    for index, line in enumerate(shims):
        pointer = pointers[index] if pointers else f"/lines/{index}"
        if not 1 <= line.quantity <= MOST_QUANTITY:
            errors.append(FieldError(f"{pointer}/quantity", f"must be 1 to {MOST_QUANTITY:,}"))
        if line.condition not in Condition.values:
            words = f"must be one of {', '.join(Condition.values)}"
            errors.append(FieldError(f"{pointer}/condition", words))
        if line.place is None:
            errors.append(FieldError(f"{pointer}/place", "say where the shims are taken from"))
        elif line.place.site_id != site.id or line.place.kind not in kinds:
            kinds_in_words = " or ".join(kind.label.lower() for kind in kinds)
            words = f"{line.place.code} is no {kinds_in_words} of {site.name}"
            errors.append(FieldError(f"{pointer}/place", words))
    refuse(errors)


def refuse_bad_shims(shims: Sequence[Shims], site: Site, *, bin_needed: bool = False) -> None:
    """Raise Invalid, naming each, for lots whose `place` is where they go to: a bin in use at the site, or
    None where no bin is needed."""
    errors = bad_counts(shims)
    for index, line in enumerate(shims):
        pointer = f"/lines/{index}"
        length = from_nm(line.thickness_nm)
        check = check_new_shim if line.condition == Condition.NEW else check_used_shim
        try:
            check(line.family.range, length)
        except LengthError as error:
            errors.append(FieldError(f"{pointer}/thickness", error.message))
        place = line.place
        if place is None:
            if bin_needed:
                errors.append(FieldError(f"{pointer}/bin", "name the bin that the shims go to"))
        elif place.site_id != site.id or place.kind != PlaceKind.BIN or place.retired_at:
            errors.append(FieldError(f"{pointer}/bin", f"{place.code} is no bin in use at {site.name}"))
    refuse(errors)


def bad_counts(shims: Sequence[Shims]) -> list[FieldError]:
    """What is wrong with how many lots there are, how many shims each has, and their condition."""
    if not 1 <= len(shims) <= MOST_LOTS:
        words = f"name 1 to {MOST_LOTS} kinds of shim at a time; these are {len(shims)}"
        return [FieldError("/lines", words)]
    errors = []
    for index, line in enumerate(shims):
        if not 1 <= line.quantity <= MOST_QUANTITY:
            errors.append(FieldError(f"/lines/{index}/quantity", f"must be 1 to {MOST_QUANTITY:,}"))
        if line.condition not in Condition.values:
            words = f"must be one of {', '.join(Condition.values)}"
            errors.append(FieldError(f"/lines/{index}/condition", words))
    return errors


def refuse_other_family(
    shims: Sequence[Shims], *, confirm: bool, pointers: Sequence[str] | None = None
) -> None:
    """Raise KeptForAnother, naming each, where shims would go into a bin kept for another family than theirs
    and nobody confirmed that this is meant. `pointers`: one per lot, where they are not "/lines/<n>/bin".

    Not asked about: what a count finds in such a bin or a regrading leaves there, and what goes back to where
    it was taken from.
    """
    if not confirm and (errors := kept_for_others(shims, pointers)):
        details = "; ".join(dict.fromkeys(error.detail for error in errors))
        raise KeptForAnother(
            f"Nothing was booked: {details}. Choose another bin, or confirm that they are to lie there.",
            errors=errors,
        )


def kept_for_others(shims: Sequence[Shims], pointers: Sequence[str] | None = None) -> list[FieldError]:
    """What `refuse_other_family` asks about; [] where nothing has to be asked."""
    return [
        FieldError(
            pointers[index] if pointers else f"/lines/{index}/bin",
            f"{line.place.code} is kept for {line.place.family}; these are {line.family}",
        )
        for index, line in enumerate(shims)
        if line.place is not None and line.place.family_id not in (None, line.family.pk)
    ]


def refuse(errors: Sequence[FieldError]) -> None:
    """Raise Invalid when there are errors."""
    if errors:
        raise Invalid(in_words("Nothing was booked", errors), errors=errors)


def must_say(pointer: str, text: str, words: str) -> None:
    """Raise Invalid where a reason is needed and the text is empty; `words`: "Say why …"."""
    if not text.strip():
        raise Invalid(words, errors=[FieldError(pointer, "must say why")])
