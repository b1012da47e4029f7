"""Words that people key in beside the figures: what the books have room for and a database can keep."""

from collections.abc import Sequence

from django.db.models import Model

from shop.errors import FieldError, Invalid

# Fields with what a thing is called by: somebody reads it from a label and keys it in.
CODES = ("code", "cabinet")
UNSEEN = "holds a control or direction character, which nobody sees; leave it out"


def counted(number: int, one: str, many: str = "") -> str:
    """So many of a thing, for a sentence: "1 shim", "4 shims"."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def check_texts(model: type[Model], **texts: str) -> None:
    """Raise Invalid, naming each, for words that do not fit the model's fields of the same names."""
    errors = [error for name, text in texts.items() for error in text_errors(model, name, text, f"/{name}")]
    if errors:
        raise Invalid(
            "; ".join(f"The {error.pointer[1:].replace('_', ' ')} {error.detail}" for error in errors) + ".",
            errors=errors,
        )


def text_errors(model: type[Model], name: str, text: str, pointer: str) -> list[FieldError]:
    """What is wrong with `text` as the model's field `name`; [] when nothing is.

    SQLite would keep any length and PostgreSQL would refuse in its own words, so it is said here.
    """
    field = model._meta.get_field(name)
    most = field.max_length
    if most is not None and len(text) > most:
        return [FieldError(pointer, f"has {len(text)} characters; {most} is the most")]
    if "\x00" in text or any("\ud800" <= character <= "\udfff" for character in text):
        return [FieldError(pointer, "holds a character that is none; leave it out")]
    if name in CODES and not text.isprintable():
        return [FieldError(pointer, UNSEEN)]
    return []


# What is keyed in as a whole: there the sentence itself says what is missing or too much.
WHOLES = ("", "lines", "received", "found", "readings", "rows")


def in_words(outcome: str, errors: Sequence[FieldError]) -> str:
    """One sentence of several wrong values and where each stands: "Nothing was booked: line 2, quantity: must
    be 1 to 100,000."."""
    details = (f"{_place(error.pointer)}{error.detail.rstrip('.')}" for error in errors)
    return f"{outcome}: {'; '.join(details)}."


def _place(pointer: str) -> str:
    """Lines are counted from 1 in words; the list as a whole needs none."""
    first, *more = pointer.split("/")[1:] or [""]
    if not more:
        return "" if first in WHOLES else f"{first.replace('_', ' ')}: "
    if not more[0].isdecimal():
        return ""
    line = f"{first.removesuffix('s')} {int(more[0]) + 1}"
    return f"{line}, {more[1]}: " if len(more) > 1 else f"{line}: "
