"""Forms of the pages: big fields, and refusals of a service put at the fields that they are about."""

from typing import Any

from django import forms
from django.forms.renderers import DjangoTemplates
from django.http import HttpRequest, QueryDict

from shop.errors import ShopError


class ShopRenderer(DjangoTemplates):
    """Draws a field with its label, hint and error (shop/forms/field.html)."""

    field_template_name = "shop/forms/field.html"


class ActForm(forms.Form):
    """The form of one shop act.

    `pointers` says which field a service's pointer means where that is not its last name: {"/lines/0/bin":
    "place"}.
    """

    default_renderer = ShopRenderer()
    template_name = "shop/forms/form.html"
    pointers: dict[str, str] = {}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)

    def full_clean(self) -> None:
        super().full_clean()
        # A hidden field has no place where its error could stand.
        for bound in self.hidden_fields():
            for error in self.errors.pop(bound.name, []):
                self.add_error(None, error)
        self._focus_first_error()

    def take(self, refusal: ShopError | None) -> ShopError | None:
        """Put a service's refusal at the fields that it names. What names none of them comes back, for the
        page to show; so does None."""
        if refusal is None or not self.is_bound:
            return refusal
        self.is_valid()
        placed = False
        for error in refusal.errors:
            name = self.field_of(error.pointer)
            if name is not None:
                self.add_error(name, _sentence(error.detail))
                placed = True
        self._focus_first_error()
        return None if placed else refusal

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


def posted(request: HttpRequest) -> QueryDict | None:
    """What was posted, even if it is nothing; None where the page was only asked for."""
    return request.POST if request.method == "POST" else None
