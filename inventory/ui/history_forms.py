"""What of the history is looked for."""

from datetime import UTC, datetime, timedelta
from typing import Any

from django import forms

from inventory.models import Place, Reason, ShimFamily
from inventory.selectors.happenings import KINDS, Asked
from inventory.selectors.history import HistoryFilter
from inventory.selectors.people import people_of
from inventory.ui.fields import FamilyField, LengthField
from shop.models import Site, User
from shop.pages.forms import ActForm

FIRST_YEAR, LAST_YEAR = 1970, 9000


class DayField(forms.DateField):
    """A calendar day, in UTC as everything here."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("required", False)
        widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
        super().__init__(widget=widget, **kwargs)

    def clean(self, value: Any) -> Any:
        day = super().clean(value)
        if day is not None and not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise forms.ValidationError("There is nothing that old or that far ahead.")
        return day


class PeriodForm(ActForm):
    since = DayField(label="From")
    until = DayField(label="To, that day included")

    def clean(self) -> dict[str, Any]:
        keyed: dict[str, Any] = super().clean() or self.cleaned_data
        since, until = keyed.get("since"), keyed.get("until")
        if since is not None and until is not None and until < since:
            self.add_error("until", "That day lies before the one that it begins with.")
        return keyed

    def period(self) -> dict[str, datetime | None]:
        """The first moment that is wanted and the first that is not. Call on a valid form."""
        since, until = self.cleaned_data["since"], self.cleaned_data["until"]
        return {
            "since": None if since is None else _midnight(since),
            "until": None if until is None else _midnight(until) + timedelta(days=1),
        }


class StoryForm(PeriodForm):
    kind = forms.ChoiceField(label="Only", required=False, choices=[("", "Everything"), *KINDS.items()])

    def asked(self) -> Asked:
        return Asked(kind=self.cleaned_data["kind"] or None, **self.period())


class PlaceField(forms.ModelChoiceField):
    """A bin or tray of the site by its code, in use or not."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(queryset=Place.objects.none(), empty_label="Every place", **kwargs)


class HistoryForm(PeriodForm):
    """Lines of the books at one site."""

    reason = forms.ChoiceField(label="Act", required=False, choices=[("", "Every act"), *Reason.choices])
    person = forms.ModelChoiceField(
        label="Person", queryset=User.objects.none(), required=False, empty_label="Everybody"
    )
    place = PlaceField(label="Place", required=False)
    family = FamilyField(required=False, empty_label="Every family")
    thickness = LengthField(label="Thickness", required=False, help_text="Exactly this one; in mm.")
    document = forms.CharField(
        label="Job or document", max_length=80, required=False, help_text="A part of it: Job 12, note 7."
    )

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["person"].queryset = people_of(site)
        self.fields["place"].queryset = Place.objects.filter(site=site).order_by("code", "kind")

    def wanted(self) -> HistoryFilter:
        keyed = self.cleaned_data
        exact = keyed["thickness"].nm if keyed["thickness"] else None
        return HistoryFilter(
            reason=keyed["reason"] or None,
            user=keyed["person"],
            place=keyed["place"],
            family=keyed["family"],
            thinnest_nm=exact,
            thickest_nm=exact,
            document=keyed["document"],
            **self.period(),
        )


class ThenForm(ActForm):
    """A past moment."""

    at = forms.DateTimeField(
        label="Date and time (UTC)",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
    )
    family = FamilyField(required=False, empty_label="Every family")

    def __init__(self, *args: Any, now: datetime, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.now = now

    def clean_at(self) -> datetime:
        at: datetime = self.cleaned_data["at"]
        if at > self.now:
            raise forms.ValidationError("That is still to come; name a moment that is past.")
        return at


class JourneysForm(PeriodForm):
    family = FamilyField(empty_label=None)
    swaps = forms.BooleanField(label="Also those that went back into the same engine", required=False)

    def chosen(self) -> ShimFamily:
        found: ShimFamily = self.cleaned_data["family"]
        return found


def _midnight(day: Any) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=UTC)
