"""Forms that carry the version of what they show: who acts on what changed meanwhile is told."""

from typing import Any, Protocol

from django import forms

from shop.errors import StaleVersion


class Versioned(Protocol):
    version: int


def version_field() -> forms.IntegerField:
    """A hidden field; a form without it, or with a broken one, has to be loaded again."""
    words = "Load the page again: it does not say which state it shows."
    return forms.IntegerField(
        widget=forms.HiddenInput, min_value=1, error_messages={"required": words, "invalid": words}
    )


def must_be_current(thing: Versioned, version: int) -> None:
    """Raise StaleVersion when the thing was changed since the form was drawn."""
    if thing.version != version:
        raise StaleVersion(
            f"Somebody changed {thing} since you opened it, so nothing was booked. What it is now is shown "
            "below: put right what you keyed in and press again.",
            extra={"version": thing.version},
        )


def posted_version(data: Any) -> int | None:
    """The version that a button's form carries; None where there is none, which is acted on as it is."""
    text = data.get("version", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None
