"""Shim families and the sizes that they are made in."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Keyed, LengthField, Text, Word
from api.kinds import changes, creates, lists, shows
from api.lookups import one_of
from api.views import ApiView, Call
from api.words import FORMS, MARKINGS
from inventory.compute.lengths import plausible_shim
from inventory.compute.markings import MarkingRule, marking_of
from inventory.models import ShimFamily
from inventory.services.catalogue import add_family, rename_family
from shop.actor import Actor
from shop.roles import Action


class ShimFamilySerializer(serializers.Serializer):
    code = serializers.CharField()
    name = serializers.CharField()
    form = serializers.ChoiceField(choices=FORMS)
    marking = serializers.ChoiceField(choices=MARKINGS)
    diameter = Keyed()
    min = Keyed()
    max = Keyed()
    step = Keyed()


class AddFamilySerializer(Body):
    code = Text(most=20)
    name = Text(most=80)
    form = Word(choices=FORMS)
    marking = Word(choices=MARKINGS)
    diameter = LengthField()
    min = LengthField(plausible=plausible_shim)
    max = LengthField(plausible=plausible_shim)
    step = LengthField()


class ChangeFamilySerializer(Body):
    name = Text(most=80, required=False)


class SizeSerializer(serializers.Serializer):
    thickness = LengthField()
    marking = serializers.CharField(help_text="What is stamped on its face.")


class SizesSerializer(serializers.Serializer):
    family = serializers.CharField()
    sizes = SizeSerializer(many=True)


class FamilyView(ApiView):
    answer = ShimFamilySerializer
    one = "shim-family"

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> ShimFamily:
        return one_of(ShimFamily.objects.all(), lock=lock, **path)

    def path_of(self, thing: ShimFamily) -> dict[str, Any]:
        return {"code": thing.code}


class ShimFamilies(FamilyView):
    @lists(
        Action.READ,
        "list_shim_families",
        "Every shim family.",
        order=("code", "id"),
        query=(queries.choice("form", "Only of this form.", FORMS),),
        orderings={"code": ("code", "id"), "name": ("name", "id")},
    )
    def get(self, call: Call) -> QuerySet[ShimFamily]:
        return ShimFamily.objects.filter(**queries.given(call.query, {"form": "form"}))

    @creates(
        Action.EDIT_CATALOGUE,
        "add_family",
        "Enter a shim family.",
        body=AddFamilySerializer,
        example={
            "code": "d29",
            "name": "29 mm disc",
            "form": "disc_over",
            "marking": "thousandths",
            "diameter": {"value": "29", "unit": "mm"},
            "min": {"value": "2.200", "unit": "mm"},
            "max": {"value": "3.200", "unit": "mm"},
            "step": {"value": "0.025", "unit": "mm"},
        },
    )
    def post(self, call: Call) -> ShimFamily:
        body = call.body
        return add_family(
            actor=call.actor,
            code=body["code"],
            name=body["name"],
            form=body["form"],
            marking=body["marking"],
            diameter=body["diameter"],
            thinnest=body["min"],
            thickest=body["max"],
            step=body["step"],
        )


class OneShimFamily(FamilyView):
    @shows(Action.READ, "shim_family", "One shim family.")
    def get(self, call: Call, code: str) -> ShimFamily:
        return self.find(call.actor, code=code)

    @changes(
        Action.EDIT_CATALOGUE,
        "change_family",
        "Another name; sizes and marking stay, because stock is counted by them.",
        body=ChangeFamilySerializer,
        example={"name": "29 mm disc"},
    )
    def patch(self, call: Call, family: ShimFamily) -> ShimFamily:
        return rename_family(actor=call.actor, family=family, **call.body)


class Sizes(FamilyView):
    answer = SizesSerializer

    @shows(Action.READ, "shim_family_sizes", "Every size that a family is made in, thinnest first.")
    def get(self, call: Call, code: str) -> dict[str, Any]:
        family = self.find(call.actor, code=code)
        rule = MarkingRule(family.marking)
        sizes = [{"thickness": nm, "marking": marking_of(rule, nm)} for nm in family.sizes_nm()]
        return {"family": family.code, "sizes": sizes}
