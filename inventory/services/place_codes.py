"""What bins, trays and cabinets may be called: two that a person reads as one are one too many."""

from collections.abc import Iterable

from inventory.models import Place
from inventory.services.texts import text_errors
from shop.errors import FieldError, Invalid
from shop.models import Site


def refuse_taken_code(site: Site, code: str) -> None:
    """Raise Invalid where a place of the site, in use or not, is called so, in letters of whatever case.

    Compared here and not by the database: SQLite knows the cases of plain Latin letters only.
    """
    taken = twin(code, Place.objects.filter(site=site).values_list("code", flat=True))
    if taken is None:
        return
    message = f"{site.name} has a place {code} already."
    words = "is taken; choose another"
    if Place.objects.filter(site=site, code=taken, retired_at__isnull=False).exists():
        by = "by one that" if taken == code else f"by {taken}, which"
        words = f"is taken {by} is out of use: bring that back into use, or choose another"
        message = f"The code {code} {words}."
    elif taken != code:
        words = f"differs from {taken} only by capital and small letters; choose another"
        message = f"The code {code} {words}."
    raise Invalid(message, errors=[FieldError("/code", words)])


def refuse_twin_cabinet(site: Site, cabinet: str) -> None:
    """Raise Invalid where the site writes this cabinet in letters of another case."""
    there = Place.objects.filter(site=site).exclude(cabinet="").order_by().values_list("cabinet", flat=True)
    taken = twin(cabinet, there.distinct())
    if taken is not None and taken != cabinet:
        words = twin_cabinet_words(taken)
        raise Invalid(f"The cabinet {cabinet} {words}.", errors=[FieldError("/cabinet", words)])


def twin_cabinet_words(taken: str) -> str:
    return f"is written {taken} here: write it so, or choose another"


def refuse_bad_code(code: str) -> None:
    """Raise Invalid for what no bin or tray can be called."""
    most = Place._meta.get_field("code").max_length
    if not code.strip():
        errors = [FieldError("/code", f"must have 1 to {most} characters")]
    else:
        errors = text_errors(Place, "code", code, "/code")
    if errors:
        raise Invalid(f"The code of a bin {errors[0].detail}.", errors=errors)


def twin(text: str, others: Iterable[str]) -> str | None:
    """The same text, or else one that differs only in the case of letters; None where there is neither."""
    found = None
    for other in others:
        if other == text:
            return other
        if other.casefold() == text.casefold():
            found = other
    return found
