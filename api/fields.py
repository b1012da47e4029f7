"""Fields that take exactly what they say: a number is no text, a text no number, nothing is guessed.

The framework's own fields turn "12" into 12 and 12 into "12"; a program that mixes them up would find out
from a wrong shim.
"""

from collections.abc import Callable, Mapping
from datetime import date, datetime, time, timedelta
from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from inventory.compute import lengths
from inventory.compute.lengths import Length, LengthError

MOST_ERRORS = 100
"""More errors than a person reads are not listed: a body of many is refused as fast as one of few."""
_NEEDED = {"required": "is needed", "null": "may not be null"}


class Body(serializers.Serializer):
    """A JSON object with the fields that are named and no others."""

    default_error_messages = {
        "invalid": "must be an object",
        "required": "is needed",
        "null": "may not be null",
    }

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping):
            unknown = [name for name in data if name not in self.fields]
            if unknown:
                known = ", ".join(self.fields) or "none"
                raise serializers.ValidationError(
                    {name: [f"is not known here; known are: {known}"] for name in unknown[:MOST_ERRORS]}
                )
        return super().to_internal_value(data)


class Text(serializers.CharField):
    """A text of 1 to `most` characters that has more than spaces; empty only with `allow_blank`."""

    default_error_messages = _NEEDED | {
        "invalid": "must be a text",
        "blank": "may not be empty",
        "max_length": "has more than {max_length} characters",
    }

    def __init__(self, *, most: int, **options: Any) -> None:
        super().__init__(max_length=most, trim_whitespace=True, **options)

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.fail("invalid")
        return super().to_internal_value(data)


class Whole(serializers.IntegerField):
    """A whole number; 12, not "12" and not 12.0."""

    default_error_messages = _NEEDED | {
        "invalid": "must be a whole number",
        "min_value": "must be {min_value:,} or more",
        "max_value": "must be {max_value:,} or less",
    }

    def __init__(self, *, least: int, most: int, **options: Any) -> None:
        super().__init__(min_value=least, max_value=most, **options)

    def to_internal_value(self, data: Any) -> int:
        if type(data) is not int:
            self.fail("invalid")
        return data


class Flag(serializers.BooleanField):
    """true or false."""

    default_error_messages = _NEEDED | {"invalid": "must be true or false"}

    def to_internal_value(self, data: Any) -> bool:
        if type(data) is not bool:
            self.fail("invalid")
        return data


class Word(serializers.ChoiceField):
    """One of a few words."""

    default_error_messages = _NEEDED | {"invalid_choice": "must be one of {choices}"}

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str) or data not in self.choices:
            self.fail("invalid_choice", choices=", ".join(map(str, self.choices)))
        return data


class Identity(serializers.UUIDField):
    """An id as it was given out."""

    default_error_messages = _NEEDED | {"invalid": "must be an id"}

    def to_internal_value(self, data: Any) -> Any:
        if not isinstance(data, str) or len(data) != 36:
            self.fail("invalid")
        return super().to_internal_value(data)


class Moment(serializers.DateTimeField):
    """A time by ISO 8601 with its offset, such as 2026-03-02T08:30:00Z."""

    default_error_messages = _NEEDED | {
        "invalid": "must be a time with its offset, such as 2026-03-02T08:30:00Z",
    }

    def to_internal_value(self, value: Any) -> datetime:
        try:
            moment = datetime.fromisoformat(value) if isinstance(value, str) and len(value) <= 40 else None
        except ValueError:
            moment = None
        if moment is None or moment.tzinfo is None or not 2000 <= moment.year <= 2200:
            self.fail("invalid")
        return moment


class Day(serializers.DateField):
    """A day by ISO 8601, such as 2026-03-02."""

    default_error_messages = _NEEDED | {"invalid": "must be a day such as 2026-03-02"}

    def to_internal_value(self, value: Any) -> date:
        try:
            day = date.fromisoformat(value) if isinstance(value, str) and len(value) == 10 else None
        except ValueError:
            day = None
        if day is None or not 2000 <= day.year <= 2200:
            self.fail("invalid")
        return day


# RFC 3339's `time`, the format of that name, has an offset; an hour on the wall of a shop has none.
@extend_schema_field(
    {
        "type": "string",
        "pattern": r"^([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9])?$",
        "examples": ["14:30"],
    }
)
class HourOfDay(serializers.TimeField):
    """A time of the day at the site, such as 14:30; sent with its seconds."""

    default_error_messages = _NEEDED | {"invalid": "must be a time of the day such as 14:30"}

    def to_internal_value(self, value: Any) -> time:
        try:
            hour = time.fromisoformat(value) if isinstance(value, str) and len(value) in (5, 8) else None
        except ValueError:
            hour = None
        if hour is None or hour.tzinfo is not None:
            self.fail("invalid")
        return hour


class Ratio(serializers.DecimalField):
    """A decimal as a text, such as "1" or "1.25"."""

    default_error_messages = _NEEDED | {
        "invalid": "must be a decimal as a text",
        "max_digits": "has too many digits",
        "max_decimal_places": "has more than {max_decimal_places} decimals",
        "max_whole_digits": "has too many digits",
        "min_value": "must be {min_value} or more",
        "max_value": "must be {max_value} or less",
    }

    def to_internal_value(self, data: Any) -> Any:
        if not isinstance(data, str):
            self.fail("invalid")
        return super().to_internal_value(data)


class Several(serializers.ListField):
    """A list of `least` to `most` of the same."""

    default_error_messages = _NEEDED | {
        "not_a_list": "must be a list",
        "empty": "may not be empty",
        "min_length": "must have {min_length} or more",
        "max_length": "has more than {max_length}",
    }

    def __init__(self, *, child: Any, least: int = 1, most: int, **options: Any) -> None:
        super().__init__(child=child, min_length=least, max_length=most, **options)


class Named(serializers.DictField):
    """An object that has a value of one kind under each name, such as valve labels."""

    default_error_messages = _NEEDED | {"not_a_dict": "must be an object", "empty": "may not be empty"}

    def __init__(self, *, child: Any, most: int, **options: Any) -> None:
        super().__init__(child=child, **options)
        self.most = most

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping) and len(data) > self.most:
            raise serializers.ValidationError(f"has more than {self.most}")
        return super().to_internal_value(data)


class LengthField(serializers.Field):
    """A length object, {"value": "2.650", "unit": "mm"}, in and out.

    In: a `Length` as it was keyed. `plausible`: the check of lengths.py that it must pass besides. Out: a
    `Length`, or whole nanometres, which are answered in mm.
    """

    default_error_messages = _NEEDED | {"invalid": "must be an object with value and unit"}

    def __init__(self, *, plausible: Callable[[Length], Length] | None = None, **options: Any) -> None:
        super().__init__(**options)
        self.plausible = plausible

    def to_internal_value(self, data: Any) -> Length:
        try:
            length = read_length(data)
            return self.plausible(length) if self.plausible else length
        except LengthError as error:
            raise serializers.ValidationError(error.message) from error

    def to_representation(self, value: Length | int) -> dict[str, str]:
        return (value if isinstance(value, Length) else lengths.from_nm(value)).as_json()


class Keyed(LengthField):
    """Out only: a length as it was keyed, from the two columns `<name>_nm` and `<name>_keyed`; null while
    nobody keyed it."""

    def __init__(self, *, column: str | None = None, **options: Any) -> None:
        super().__init__(read_only=True, source="*", **options)
        self.column = column

    def to_representation(self, value: Any) -> dict[str, str] | None:  # type: ignore[override]
        column = self.column or self.field_name
        nm = getattr(value, f"{column}_nm")
        if nm is None:
            return None
        return lengths.from_keyed(nm, getattr(value, f"{column}_keyed")).as_json()


def read_length(data: Any) -> Length:
    """The length that a JSON object means. Raises LengthError for anything else."""
    if not isinstance(data, Mapping):
        raise LengthError('A length is an object such as {"value": "2.650", "unit": "mm"}.')
    if unknown := [name for name in data if name not in ("value", "unit")]:
        raise LengthError(f"A length has a value and a unit and nothing else; {unknown[0]!r} is not known.")
    if "value" not in data:
        raise LengthError("The figure of a length is missing: write one such as 2.65.")
    return lengths.parse(data["value"], data.get("unit", ""))


def minutes(value: int | None) -> timedelta | None:
    return None if value is None else timedelta(minutes=value)
