"""Forms of the pages: big fields, and refusals of a service put at the fields that they are about."""

from typing import Any

from django import forms
from django.forms.renderers import DjangoTemplates
from django.http import HttpRequest, QueryDict

from shop.errors import ShopError
from shop.wrong_values import WORDS, sentence

CHOOSE = "This is not one of those that may be chosen here. Choose one of them."


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
        for field in self.fields.values():
            if isinstance(field, forms.IntegerField) and field.max_value is not None:
                field.error_messages.setdefault("max_value", f"Must be {field.max_value:,} or less.")
            for code, words in WORDS.items():
                field.error_messages.setdefault(code, sentence(words))
            if isinstance(field, forms.ChoiceField):
                field.error_messages["invalid_choice"] = CHOOSE
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
        if "version" in self.fields and "version" in refusal.extra:
            # The page shows the thing as it is now, and the next press is about that.
            self.data = self.data.copy()
            self.data["version"] = refusal.extra["version"]
        placed = False
        for error in refusal.errors:
            name = self.field_of(error.pointer)
            if name is not None:
                self.add_error(name, sentence(error.detail))
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


def spoken(field: forms.Field, words: str) -> forms.Field:
    """The field with words that only a screen reader hears after its label: which line of a list it is in."""
    field.spoken = words  # type: ignore[attr-defined]
    return field


def posted(request: HttpRequest) -> QueryDict | None:
    """What was posted, even if it is nothing; None where the page was only asked for."""
    return request.POST if request.method == "POST" else None
