"""Lots as a person names them: what is wrong with them, and the ledger's lines that move them."""

from collections.abc import Collection, Sequence

from inventory.models import Condition, Place, PlaceKind
from inventory.services.floor import Shims
from inventory.services.ledger import MOST_LINES, MOST_QUANTITY, Line, transfer
from inventory.services.texts import in_words
from shop.errors import FieldError, Invalid
from shop.models import Site

# Each takes a line of the movement out of its place and one into another.
MOST_LOTS = MOST_LINES // 2


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


def refuse_bad_lots(shims: Sequence[Shims], site: Site, kinds: Collection[PlaceKind]) -> None:
    """Raise Invalid, naming each, for lots that no place of these kinds at the site can have.

    Whether so many shims are there is the ledger's to say.
    """
    if not 1 <= len(shims) <= MOST_LOTS:
        words = f"name 1 to {MOST_LOTS} kinds of shim at a time; these are {len(shims)}"
        refuse([FieldError("/lines", words)])
    errors = []
    for index, line in enumerate(shims):
        pointer = f"/lines/{index}"
        if not 1 <= line.quantity <= MOST_QUANTITY:
            errors.append(FieldError(f"{pointer}/quantity", f"must be 1 to {MOST_QUANTITY}"))
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


def refuse(errors: Sequence[FieldError]) -> None:
    """Raise Invalid when there are errors."""
    if errors:
        raise Invalid(in_words("Nothing was booked", errors), errors=errors)


def must_say(pointer: str, text: str, words: str) -> None:
    """Raise Invalid where a reason is needed and the text is empty; `words`: "Say why …"."""
    if not text.strip():
        raise Invalid(words, errors=[FieldError(pointer, "must say why")])
