"""New rows of the catalogue: every field checked in plain words, and what somebody else entered first."""

from typing import TypeVar

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction

from inventory.services.texts import in_words, text_errors
from shop.errors import Conflict, FieldError, Invalid
from shop.wrong_values import wrong_value

Row = TypeVar("Row", bound=models.Model)
# Django's words for a code name a "slug", which nobody in a workshop has heard of.
_CODE = "may have letters, digits, - and _ only"


def check_fields(row: models.Model, outcome: str, pointers: dict[str, str] | None = None) -> None:
    """Raise Invalid, beginning with `outcome`, for what no column of the row's table can keep.

    `pointers`: field -> pointer, where it is not "/" and the field's name.
    """
    errors: list[FieldError] = []
    names = [field.name for field in row._meta.concrete_fields if isinstance(field, models.ForeignKey)]
    for field in row._meta.concrete_fields:
        value = getattr(row, field.attname)
        if isinstance(value, str) and field.name not in names:
            pointer = (pointers or {}).get(field.name, f"/{field.name}")
            wrong = text_errors(type(row), field.name, value, pointer)
            errors += wrong
            names += [field.name] if wrong else []
    try:
        row.clean_fields(exclude=names)
    except ValidationError as refused:
        for name, found in refused.error_dict.items():
            words = "; ".join(_wrong(row, name, error) for error in found)
            errors.append(FieldError((pointers or {}).get(name, f"/{name}"), words))
    if errors:
        raise Invalid(in_words(outcome, errors), errors=errors)


def _wrong(row: models.Model, name: str, error: ValidationError) -> str:
    field = row._meta.get_field(name)
    if isinstance(field, models.SlugField) and getattr(row, name):
        return _CODE
    if error.code == "invalid_choice" and isinstance(field, models.Field):
        return f"must be one of {', '.join(str(value) for value, _ in field.flatchoices)}"
    return wrong_value(error)


def insert(row: Row, outcome: str, pointers: dict[str, str] | None = None) -> Row:
    """Check the row and write it. Raises Invalid, and Conflict when another took its code just now."""
    check_fields(row, outcome, pointers)
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError as error:
        raise Conflict(f"{outcome}: somebody entered the same a moment ago. Look again.") from error
    return row
