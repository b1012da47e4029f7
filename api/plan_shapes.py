"""What POST /plans takes and gives, for the document; api/plan_body.py reads it, api/plans.py renders it."""

from rest_framework import serializers

from api.fields import Body, LengthField, Several, Text, Whole, Word
from api.plan_body import (
    MOST_CODE,
    MOST_LABEL,
    MOST_LOTS,
    MOST_QUANTITY,
    MOST_SIZES,
    MOST_VALVES,
)
from api.words import ACTIONS, ADJUSTS, KNOWN_BY, PLANNABLE_CONDITIONS, VERDICTS


class SpecSerializer(Body):
    min = LengthField(help_text="0 to 2 mm.")
    max = LengthField(help_text="Above min, to 2 mm.")


class ReadingSerializer(Body):
    passes = LengthField(help_text="The thickest leaf that passes with light drag; 0 where none does.")
    stops = LengthField(
        required=False,
        help_text="The thinnest leaf that does not pass. Left out: the next leaf, 0.001 in or 0.01 mm above.",
    )


class OwnShimSerializer(Body):
    thickness = LengthField(help_text="0.5 to 10 mm.")
    known_by = Word(choices=KNOWN_BY, help_text="By micrometer, or by the marking of an unworn face.")


class ValveToPlanSerializer(Body):
    label = Text(most=MOST_LABEL, help_text="Distinct within the request.")
    spec = SpecSerializer()
    aim = LengthField(required=False, help_text="Within the spec. Left out: min + 60 % of (max - min).")
    adjust = Word(choices=ADJUSTS, required=False, help_text="Left out: auto.")
    clearance = ReadingSerializer()
    shim = OwnShimSerializer(allow_null=True, help_text="null where its thickness is not known.")


class LotSerializer(Body):
    thickness = LengthField()
    condition = Word(choices=PLANNABLE_CONDITIONS)
    quantity = Whole(least=1, most=MOST_QUANTITY)


class PlanRequestSerializer(Body):
    """One engine and what there is to fit. `family` is needed unless `stock` and `catalogue` are both given;
    `site` and `stock` exclude each other."""

    family = Text(most=MOST_CODE, required=False)
    site = Text(most=MOST_CODE, required=False, help_text="Plan with what this site has available.")
    stock = Several(child=LotSerializer(), least=0, most=MOST_LOTS, required=False)
    catalogue = Several(
        child=LengthField(),
        least=0,
        most=MOST_SIZES,
        required=False,
        help_text="In place of the family's sizes; [] is: buy nothing.",
    )
    lash_ratio = serializers.CharField(
        required=False, help_text='Clearance gained per unit of shim taken away, as a decimal. Left out: "1".'
    )
    valves = Several(child=ValveToPlanSerializer(), least=1, most=MOST_VALVES)


class ScoreSerializer(serializers.Serializer):
    """What plans are ranked by, smaller first, compared from the top."""

    unresolved = serializers.IntegerField(help_text="Valves that need a change and get no shim.")
    bought = serializers.IntegerField(help_text="Shims bought.")
    not_guaranteed = serializers.IntegerField(help_text="Changed valves not inside the spec for certain.")
    opened = serializers.IntegerField(help_text="Valves whose own shim is not kept.")
    stock_cost = serializers.IntegerField(help_text="2 per new shim from a bin, 1 per used one, 0 per swap.")
    deviation_nm = serializers.IntegerField(help_text="Sum of |clearance after - aim|, in nanometres.")


class SourceSerializer(serializers.Serializer):
    """Exactly one of these."""

    valve = serializers.CharField(required=False, help_text="Out of that valve: a swap.")
    stock = serializers.IntegerField(required=False, help_text="That entry of the request's stock, from 0.")
    bin = serializers.CharField(required=False, help_text="Out of that bin of the site.")
    catalogue = serializers.BooleanField(required=False, help_text="To be bought.")


class PlannedShimSerializer(serializers.Serializer):
    thickness = LengthField()
    condition = serializers.ChoiceField(choices=PLANNABLE_CONDITIONS, required=False)

    def get_fields(self) -> dict[str, serializers.Field]:
        # A field cannot be an attribute named `from`.
        return super().get_fields() | {"from": SourceSerializer(allow_null=True)}


class ClearanceAfterSerializer(serializers.Serializer):
    """Surely from low to high, uncertainty included; called by the leaf that will pass."""

    low = LengthField()
    called = LengthField()
    high = LengthField()


class PlannedValveSerializer(serializers.Serializer):
    label = serializers.CharField()
    verdict = serializers.ChoiceField(choices=VERDICTS)
    action = serializers.ChoiceField(choices=ACTIONS)
    shim = PlannedShimSerializer(allow_null=True)
    clearance_after = ClearanceAfterSerializer(allow_null=True)
    guaranteed = serializers.BooleanField(allow_null=True)
    why = serializers.CharField(help_text="One plain sentence.")


class LeftOverSerializer(serializers.Serializer):
    thickness = LengthField()

    def get_fields(self) -> dict[str, serializers.Field]:
        return super().get_fields() | {"from": serializers.CharField(help_text="The valve it comes out of.")}


class SizeToBuySerializer(serializers.Serializer):
    thickness = LengthField()
    quantity = serializers.IntegerField()


class PlanSerializer(serializers.Serializer):
    """The best plan: no other has a smaller score."""

    score = ScoreSerializer()
    valves = PlannedValveSerializer(many=True, help_text="In the order of the request.")
    left_over = LeftOverSerializer(many=True, help_text="Own shims that no valve of this plan takes.")
    to_buy = SizeToBuySerializer(many=True)
    to_measure = serializers.ListField(child=serializers.CharField(), help_text="Labels.")


_MM = {"unit": "mm"}
EXAMPLE = {
    "stock": [{"thickness": {"value": "2.600", **_MM}, "condition": "used", "quantity": 1}],
    "catalogue": [{"value": "2.575", **_MM}, {"value": "2.600", **_MM}, {"value": "2.625", **_MM}],
    "valves": [
        {
            "label": "1-IN-L",
            "spec": {"min": {"value": "6", "unit": "thou"}, "max": {"value": "10", "unit": "thou"}},
            "clearance": {
                "passes": {"value": "5", "unit": "thou"},
                "stops": {"value": "6", "unit": "thou"},
            },
            "shim": {"thickness": {"value": "2.683", **_MM}, "known_by": "measured"},
        },
        {
            "label": "1-EX-L",
            "spec": {"min": {"value": "0.25", **_MM}, "max": {"value": "0.35", **_MM}},
            "aim": {"value": "0.30", **_MM},
            "adjust": "auto",
            "clearance": {"passes": {"value": "0.30", **_MM}},
            "shim": None,
        },
    ],
}
