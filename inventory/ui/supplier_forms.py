"""Forms for what suppliers ask: their terms, and what their currencies are worth."""

import re
from datetime import date
from typing import Any

from django import forms

from inventory.models import Supplier
from inventory.services.terms import MOST_HOLIDAYS, Terms, terms_mark
from inventory.ui.fields import HowManyField
from shop.conf import conf
from shop.pages.forms import ActForm
from shop.pages.once import OnceForm

MOST_LEAD_DAYS = 365
MOST_PIECES = 1_000_000
_LOAD_AGAIN = "Load the page again: it does not say which state it shows."
_FIRST_YEAR, _LAST_YEAR = 2000, 2200


class AmountField(forms.DecimalField):
    """An amount of money, 0 or more."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            required=False,
            min_value=0,
            max_digits=12,
            decimal_places=4,
            widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
            **kwargs,
        )


class DaysField(forms.CharField):
    """Days as 2026-12-25, one on a line or with spaces or commas between them. Gives a tuple of them."""

    def to_python(self, value: Any) -> tuple[date, ...]:
        found, wrong = set(), []
        for text in re.split(r"[\s,;]+", (super().to_python(value) or "").strip()):
            day = _day(text)
            if day is not None:
                found.add(day)
            elif text:
                wrong.append(text[:20])
        if wrong:
            words = f"“{wrong[0]}” is no day; write each as year, month and day, such as 2026-12-25."
            raise forms.ValidationError(words)
        if len(found) > MOST_HOLIDAYS:
            raise forms.ValidationError(f"Name at most {MOST_HOLIDAYS} days; these are {len(found)}.")
        return tuple(sorted(found))

    def run_validators(self, value: Any) -> None:
        """Every day was looked at as it was read."""

    def prepare_value(self, value: Any) -> Any:
        return value if value is None or isinstance(value, str) else "\n".join(map(str, value))


class TermsForm(ActForm):
    version = forms.CharField(
        widget=forms.HiddenInput, max_length=32, error_messages={"required": _LOAD_AGAIN}
    )
    currency = forms.CharField(
        label="Currency", max_length=3, help_text="Three letters; the amounts below are in it."
    )
    minimum_value = AmountField(label="Least value of an order")
    minimum_pieces = HowManyField(
        label="Least number of shims in an order", required=False, min_value=0, max_value=MOST_PIECES
    )
    delivery_fee = AmountField(label="Delivery fee")
    free_from = AmountField(label="Delivery is free from", help_text="Goods of this value or more.")
    lead_days = HowManyField(label="Working days until it comes", min_value=0, max_value=MOST_LEAD_DAYS)
    cut_off = forms.TimeField(
        label="Order before",
        required=False,
        help_text="What is ordered later counts from the next working day.",
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        error_messages={"invalid": "Write a time of the day, such as 14:30."},
    )
    holidays = DaysField(
        label="Days on which nothing is sent",
        required=False,
        help_text="Such as 2026-12-25, one on a line.",
        widget=forms.Textarea(attrs={"rows": 4, "autocomplete": "off"}),
    )
    email = forms.EmailField(
        label="Orders go by e-mail to",
        required=False,
        error_messages={"invalid": "This is no e-mail address, such as orders@supplier.example."},
    )
    our_number = forms.CharField(label="Our number with them", max_length=40, required=False)

    def __init__(self, *args: Any, supplier: Supplier, **kwargs: Any) -> None:
        seen = {name: getattr(supplier, name) for name in self.base_fields if name != "version"}
        for name in ("minimum_value", "delivery_fee", "free_from"):
            seen[name] = None if seen[name] is None else plain(seen[name])
        seen |= {"version": terms_mark(supplier), "currency": supplier.currency or conf.currency}
        super().__init__(*args, initial=seen, **kwargs)

    def terms(self) -> Terms:
        """Call on a valid form."""
        keyed = {name: value for name, value in self.cleaned_data.items() if name != "version"}
        for name in ("minimum_value", "minimum_pieces", "delivery_fee"):
            keyed[name] = keyed[name] or Terms.__dataclass_fields__[name].default
        return Terms(**keyed)


class RateForm(OnceForm):
    currency = forms.CharField(label="Currency", max_length=3, help_text="Three letters, such as SEK.")
    rate = forms.DecimalField(
        label="One of it is",
        max_digits=16,
        decimal_places=8,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["rate"].label = f"One of it in {conf.currency}"


def plain(amount: Any) -> str:
    """A decimal without the zeros at its end that say nothing."""
    return f"{amount.normalize():f}"


def _day(text: str) -> date | None:
    try:
        day = date.fromisoformat(text) if len(text) == 10 else None
    except ValueError:
        return None
    return day if day is not None and _FIRST_YEAR <= day.year <= _LAST_YEAR else None
