"""Forms of the mix: what to reckon with, and which numbers to keep from now on."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms

from inventory.selectors.mix import MixRow
from inventory.services.minimums import MOST, MinimumRow
from inventory.templatetags.shims import mm
from inventory.ui.fields import HowManyField
from shop.conf import conf
from shop.errors import ShopError, StaleVersion
from shop.pages.forms import ActForm, spoken

SERVICES = ("0.80", "0.90", "0.95", "0.98", "0.99")
MONTHS = (3, 6, 12, 24, 36, 60)


class AskForm(ActForm):
    """How often a request is to be met, and how far back to look."""

    service = forms.ChoiceField(label="Met from the drawer")
    months = forms.ChoiceField(label="Looking back over")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        usual = str(conf.service_level)
        others = [share for share in SERVICES if Decimal(share) != conf.service_level]
        self.fields["service"].choices = [
            (share, f"{(Decimal(share) * 100).normalize():f} in 100 requests")
            for share in sorted([usual, *others], key=Decimal)
        ]
        self.fields["service"].initial = usual
        months = sorted({*MONTHS, conf.mix_months})
        self.fields["months"].choices = [(str(number), f"{number} months") for number in months]
        self.fields["months"].initial = str(conf.mix_months)

    def asked(self) -> dict[str, Any]:
        """For `stock_mix`; the shop's settings where nothing, or nothing that there is, was chosen."""
        if not self.is_bound or not self.is_valid():
            return {}
        return {
            "service": Decimal(self.cleaned_data["service"]),
            "months": int(self.cleaned_data["months"]),
        }


class KeepForm(ActForm):
    """Which sizes are kept from now on, and how many of each."""

    def __init__(self, *args: Any, rows: Sequence[MixRow], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.mix = rows
        self.chosen: list[MixRow] = []
        for row in rows:
            nm = row.thickness_nm
            self.fields[f"take_{nm}"] = forms.BooleanField(
                label=f"{mm(nm)} mm", required=False, initial=row.changes
            )
            self.fields[f"keep_{nm}"] = spoken(
                HowManyField(
                    label="Keep",
                    min_value=0,
                    max_value=MOST,
                    required=False,
                    initial=row.proposal.proposed,
                ),
                f"of {mm(nm)} mm",
            )
            # What is kept as this page shows it: a number that somebody set meanwhile is not lost unseen.
            self.fields[f"seen_{nm}"] = forms.IntegerField(
                widget=forms.HiddenInput, required=False, min_value=0, initial=row.minimum or 0
            )

    def rows(self) -> list[tuple[MixRow, *tuple[forms.BoundField, ...]]]:
        names = ("take", "keep", "seen")
        return [(row, *(self[f"{name}_{row.thickness_nm}"] for name in names)) for row in self.mix]

    def take(self, refusal: ShopError | None) -> ShopError | None:
        if isinstance(refusal, StaleVersion) and self.is_bound:
            # The page shows what is kept now, and the next press is about that.
            now = {f"seen_{row.thickness_nm}": str(row.minimum or 0) for row in self.mix}
            self.data = self.data.copy()
            for name, minimum in now.items():
                self.data[name] = minimum
        return super().take(refusal)

    def clean(self) -> dict[str, Any]:
        keyed = super().clean() or self.cleaned_data
        self.chosen = [row for row in self.mix if keyed.get(f"take_{row.thickness_nm}")]
        for row in self.chosen:
            name = f"keep_{row.thickness_nm}"
            if keyed.get(name) is None and name not in self.errors:
                self.add_error(name, "Say how many to keep; 0 to keep none.")
        if any(keyed.get(f"seen_{row.thickness_nm}") is None for row in self.chosen):
            self.add_error(None, "Load the page again: it does not say what is kept today.")
        if not self.chosen and not self.errors:
            self.add_error(None, "Choose at least one size.")
        return keyed

    def field_of(self, pointer: str) -> str | None:
        steps = pointer.split("/")
        if len(steps) == 4 and steps[1] == "rows" and int(steps[2]) < len(self.chosen):
            return f"keep_{self.chosen[int(steps[2])].thickness_nm}"
        return super().field_of(pointer)

    def wanted(self) -> list[MinimumRow]:
        return [
            MinimumRow(
                family=row.family,
                thickness_nm=row.thickness_nm,
                minimum=self.cleaned_data[f"keep_{row.thickness_nm}"],
                seen=self.cleaned_data[f"seen_{row.thickness_nm}"],
            )
            for row in self.chosen
        ]
