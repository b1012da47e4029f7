"""Forms about holds: which ones are looked for, how long one stands, why one is given free."""

from datetime import timedelta
from typing import Any

from django import forms

from inventory.models import Place, PlaceKind
from inventory.services.hold_times import LONGEST
from inventory.ui.fields import FamilyField, HowManyField
from shop.conf import conf
from shop.models import Site
from shop.pages.forms import ActForm
from shop.pages.once import OnceForm

HOUR = timedelta(hours=1)


class FindHoldsForm(ActForm):
    """What of the board is shown; everything where nothing is asked for."""

    family = FamilyField(required=False, empty_label="Every family")
    place = forms.ModelChoiceField(
        queryset=Place.objects.none(),
        label="Bin or tray",
        required=False,
        empty_label="Everywhere",
        help_text="Where the shims lie, or which bin they were taken from.",
    )
    holder = forms.CharField(
        label="Held for or by", max_length=80, required=False, help_text="A part of the job, order or name."
    )

    def __init__(self, *args: Any, site: Site, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["place"].queryset = Place.objects.filter(
            site=site, kind__in=[PlaceKind.BIN, PlaceKind.TRAY]
        ).order_by("kind", "code")


class ExtendForm(OnceForm):
    hours = HowManyField(label="Hours from now", max_value=LONGEST // HOUR)
    pointers = {"/expires_in": "hours"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["hours"].initial = conf.hold_time // HOUR


class ReleaseForm(OnceForm):
    note = forms.CharField(label="Why", max_length=400, required=False)
