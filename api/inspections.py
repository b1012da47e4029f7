"""Inspections: one recovered shim looked at, measured, and where it should go."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Flag, Identity, Keyed, LengthField, Several, Text, Word
from api.kinds import creates, lists, shows
from api.lookups import asked_sites, family_of, inspection_of, one_of, site_of
from api.stock import SITE
from api.views import ApiView, Call
from api.words import FACES, FATES, FOUND_CONDITIONS
from inventory.compute.inspection import MOST_READINGS
from inventory.compute.lengths import parse_text, plausible_shim
from inventory.models import Inspection
from inventory.services.inspecting import inspect_shim
from inventory.services.shim_lines import Shims
from shop.actor import Actor
from shop.roles import Action


class KeyedTextField(LengthField):
    """Out only: a length that is kept as the text that was keyed."""

    def to_representation(self, value: str) -> dict[str, str]:  # type: ignore[override]
        return parse_text(value).as_json()


class WordOrNull(serializers.ChoiceField):
    """Out only: one of a few words, null where none is kept."""

    def to_representation(self, value: str) -> str | None:
        return value or None


class InspectionSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    family = serializers.CharField(source="family.code")
    face = serializers.ChoiceField(choices=FACES)
    marking_legible = serializers.BooleanField()
    thickness = Keyed(help_text="What it counts at from then on.")
    readings = serializers.ListField(child=KeyedTextField(), help_text="As they were keyed.")
    spread = LengthField(
        source="spread_nm", allow_null=True, help_text="Between readings; null with a single one."
    )
    fate = WordOrNull(
        choices=FATES, allow_null=True, help_text="What is proposed; null of the oldest inspections."
    )
    bin = serializers.CharField(
        source="proposed_bin.code",
        allow_null=True,
        default=None,
        help_text="The bin that is proposed; null for scrap, and where no bin has room.",
    )
    why = serializers.CharField(allow_blank=True)
    at = serializers.DateTimeField()
    by = serializers.CharField()
    movement = serializers.UUIDField(source="movement.uid", allow_null=True, default=None)
    taken = serializers.UUIDField(
        source="taken.uid",
        allow_null=True,
        default=None,
        help_text="The movement that took its shim from the bench: to a bin or to scrap, as a "
        "rule; or that undid its measuring.",
    )
    looked_again = serializers.UUIDField(
        source="looked_again_id",
        allow_null=True,
        help_text="A later inspection of the same shim, which counts instead.",
    )


class FoundSerializer(Body):
    thickness = LengthField(plausible=plausible_shim, help_text="As it lies at the inspection place.")
    condition = Word(choices=FOUND_CONDITIONS)


class InspectShimSerializer(Body):
    site = Text(most=20, required=False)
    family = Text(most=20)
    found = FoundSerializer()
    readings = Several(
        child=LengthField(),
        least=0,
        most=MOST_READINGS,
        required=False,
        help_text="One, or two or three of the same shim; none only where the face is pitted.",
    )
    face = Word(choices=FACES)
    marking_legible = Flag()
    inspection = Identity(
        required=False, help_text="An earlier inspection of the same shim, which this one replaces."
    )


class InspectionView(ApiView):
    answer = InspectionSerializer
    one = "inspection"

    def rows(self, sites: list[Any]) -> QuerySet[Inspection]:
        rows = Inspection.objects.filter(site__in=sites)
        return rows.select_related("site", "family", "movement", "proposed_bin", "taken")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Inspection:
        return one_of(self.rows(list(actor.roles)), lock=lock, **path)


class Inspections(InspectionView):
    @lists(
        Action.READ,
        "list_inspections",
        "Inspections, newest first.",
        order=("-at", "-id"),
        query=(
            SITE,
            queries.text("family", "Only of this family.", most=20),
            queries.choice("face", "Only with a face like this.", FACES),
            queries.choice("fate", "Only those for which this was proposed.", FATES),
            *queries.period("done"),
        ),
        orderings={"at": ("at", "id")},
        wide=InspectionSerializer,
    )
    def get(self, call: Call) -> QuerySet[Inspection]:
        wanted = {"family": "family__code", "face": "face", "fate": "fate", "from": "at__gte", "to": "at__lt"}
        return self.rows(asked_sites(call.actor, call.query)).filter(**queries.given(call.query, wanted))

    @creates(
        Action.INSPECT,
        "inspect_shim",
        "Inspect one recovered shim: it counts at what the readings come to, and a bin or scrap is proposed.",
        body=InspectShimSerializer,
        example={
            "site": "north",
            "family": "d29",
            "found": {"thickness": {"value": "2.675", "unit": "mm"}, "condition": "unmeasured"},
            "readings": [{"value": "2.668", "unit": "mm"}, {"value": "0.1051", "unit": "in"}],
            "face": "good",
            "marking_legible": True,
        },
    )
    def post(self, call: Call) -> Inspection:
        body = call.body
        found = body["found"]
        return inspect_shim(
            site=site_of(call.actor, body.get("site")),
            actor=call.actor,
            at=call.at,
            found=Shims(
                family=family_of(body["family"]),
                thickness_nm=found["thickness"].nm,
                condition=found["condition"],
                quantity=1,
            ),
            readings=body.get("readings", []),
            face=body["face"],
            marking_legible=body["marking_legible"],
            again=inspection_of(call.actor, body.get("inspection")),
        )


class OneInspection(InspectionView):
    @shows(Action.READ, "inspection", "One inspection.")
    def get(self, call: Call, **path: Any) -> Inspection:
        return self.find(call.actor, **path)
