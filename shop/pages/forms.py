"""Forms of the pages: big fields, and refusals of a service put at the fields that they are about."""

from typing import Any

from django import forms
from django.forms.renderers import DjangoTemplates

from shop.errors import ShopError


class ShopRenderer(DjangoTemplates):
    """Draws a field with its label, hint and error (shop/forms/field.html)."""

    field_template_name = "shop/forms/field.html"


class ActForm(forms.Form):
    """The form of one shop act.

    `pointers` says which field a service's pointer means where that is not its last name: {"/lines/0/bin":
    "place"}. A refusal that names no field of the form is shown above it.
    """

    default_renderer = ShopRenderer()
    template_name = "shop/forms/form.html"
    pointers: dict[str, str] = {}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)

    def full_clean(self) -> None:
        super().full_clean()
        self._focus_first_error()

    def take(self, refusal: ShopError | None) -> None:
        """Put a service's refusal at the fields that it names; None is no refusal."""
        if refusal is None:
            return
        placed = False
        for error in refusal.errors:
            name = self.field_of(error.pointer)
            if name is not None:
                self.add_error(name, _sentence(error.detail))
                placed = True
        if not placed:
            self.add_error(None, refusal.message)
        self._focus_first_error()

    def field_of(self, pointer: str) -> str | None:
        """The field that a pointer means, or None."""
        name = self.pointers.get(pointer, pointer.rpartition("/")[2])
        return name if name in self.fields else None

    def _focus_first_error(self) -> None:
        # So that the first wrong field has the focus also where no script runs.
        for name in self.fields:
            if self.errors.get(name):
                self.fields[name].widget.attrs["autofocus"] = True
                return


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."


def spoken(field: forms.Field, words: str) -> forms.Field:
    """The field with words that only a screen reader hears after its label: which line of a list it is in."""
    field.spoken = words  # type: ignore[attr-defined]
    return field
