"""What is said about a job besides its sheet: other ways, what to measure next, what the fit came to."""

from fractions import Fraction
from typing import Any

from rest_framework import serializers

from api.fields import Body, LengthField, Word
from api.plan_shapes import ScoreSerializer
from api.words import CAUSES, PLAN_ALTERNATIVES
from jobs.compute.cost import Cost, major

SIX_DECIMALS = 10**6


class PlanJobSerializer(Body):
    alternative = Word(
        choices=PLAN_ALTERNATIVES,
        required=False,
        help_text="One of GET /jobs/{id}/alternatives, planned from what lies at the site. Left out: usual.",
    )


class CostSerializer(serializers.Serializer):
    """Amounts as decimal texts, each rounded once, half up; `total` is their sum as they stand."""

    currency = serializers.CharField()
    shims = serializers.CharField(allow_null=True, help_text="null where one of them has no price.")
    labour = serializers.CharField()
    waiting = serializers.CharField(help_text="For the bay, until what is bought has come.")
    total = serializers.CharField(allow_null=True)
    unpriced = serializers.IntegerField(help_text="Shims without a price.")
    minutes = serializers.CharField(help_text="Of labour.")
    bay_hours = serializers.CharField()


class WayFiguresSerializer(serializers.Serializer):
    """What a way comes to; smaller is better in each."""

    unresolved = serializers.IntegerField()
    bought = serializers.IntegerField()
    not_guaranteed = serializers.IntegerField()
    opened = serializers.IntegerField()
    new_taken = serializers.IntegerField(help_text="New shims from bins.")
    used_taken = serializers.IntegerField(help_text="Used shims from bins.")
    sent = serializers.IntegerField(help_text="Of these, the ones that another site has to send first.")
    deviation_nm = serializers.IntegerField()


class WayShimSerializer(serializers.Serializer):
    thickness = LengthField()
    source = serializers.CharField(
        help_text="valve:<label>, tray for the job's own, bin:<code> or catalogue."
    )
    site = serializers.CharField(help_text="Where it lies.")


class WayLineSerializer(serializers.Serializer):
    label = serializers.CharField()
    action = serializers.CharField()
    shim = WayShimSerializer(allow_null=True, help_text="null where the valve gets no other shim.")
    why = serializers.CharField()


class WaySerializer(serializers.Serializer):
    """The best plan for each of the wishes in `best_for`."""

    alternative = serializers.ChoiceField(choices=PLAN_ALTERNATIVES)
    best_for = serializers.ListField(child=serializers.ChoiceField(choices=PLAN_ALTERNATIVES))
    can_be_planned = serializers.BooleanField(help_text="false: another site has to send shims first.")
    score = ScoreSerializer()
    figures = WayFiguresSerializer()
    cost = CostSerializer()
    changes = WayLineSerializer(many=True, help_text="The valves that do not keep their shim.")


class AlternativesSerializer(serializers.Serializer):
    """Ways of which none is at least as good as another in everything and better in something."""

    to_read = serializers.ListField(
        child=serializers.CharField(), help_text="Valves to be read first; then nothing is offered."
    )
    alternatives = WaySerializer(many=True)


class CandidateSerializer(serializers.Serializer):
    """A valve in spec whose shim nobody has measured. Figures are decimal texts."""

    label = serializers.CharField()
    probability = serializers.CharField(help_text="That its shim saves a purchase or an unresolved valve.")
    openings = serializers.CharField(help_text="How many more valves are opened by trying, on average.")
    per_opening = serializers.CharField()
    helps = serializers.ListField(child=LengthField(), help_text="The sizes that would help.")
    seen = serializers.IntegerField(help_text="Shims of such engines that the probability rests on.")
    rests_on_little = serializers.BooleanField()


class MeasureNextSerializer(serializers.Serializer):
    to_read = serializers.ListField(child=serializers.CharField(), help_text="Valves to be read first.")
    wanting = serializers.ListField(
        child=serializers.CharField(), help_text="Valves that no known shim sets right without buying."
    )
    anyway = serializers.ListField(
        child=serializers.CharField(), help_text="Valves that need a change and whose shim is not known."
    )
    candidates = CandidateSerializer(many=True, help_text="The most probable per opening first.")


class PredictedSerializer(serializers.Serializer):
    low = LengthField()
    called = LengthField()
    high = LengthField()


class MeasuredSerializer(serializers.Serializer):
    passes = LengthField()
    stops = LengthField()


class OutcomeSerializer(serializers.Serializer):
    label = serializers.CharField()
    predicted = PredictedSerializer(allow_null=True, help_text="null after a reading of 0.")
    measured = MeasuredSerializer()
    off_nm = serializers.IntegerField(allow_null=True, help_text="Above 0: looser than predicted.")
    differs = serializers.BooleanField()


class CauseSerializer(serializers.Serializer):
    kind = serializers.ChoiceField(choices=CAUSES)
    labels = serializers.ListField(child=serializers.CharField())
    probability = serializers.CharField(help_text="A decimal text.")
    say = serializers.CharField()


class FindingSerializer(serializers.Serializer):
    labels = serializers.ListField(child=serializers.CharField())
    explained = serializers.BooleanField(help_text="Whether the first cause is likely enough to be named.")
    causes = CauseSerializer(many=True, help_text="The likeliest first.")
    say = serializers.CharField()


class FindingsSerializer(serializers.Serializer):
    """What the readings after a fit say; empty lists before it."""

    outcomes = OutcomeSerializer(many=True)
    findings = FindingSerializer(many=True)
    unexplained = serializers.ListField(
        child=serializers.CharField(), help_text="Valves that differ and of which no finding speaks."
    )
    alike = serializers.ListField(
        child=serializers.ListField(child=serializers.CharField()),
        help_text="Pairs whose shims are too alike for an exchange to show by the leaf.",
    )
    needs_reason = serializers.BooleanField(help_text="Whether signing off takes a reason.")


def render_cost(cost: Cost) -> dict[str, Any]:
    amounts = {name: getattr(cost, name) for name in ("shims", "labour", "waiting", "total")}
    return {
        "currency": cost.currency,
        **{
            name: None if amount is None else major(amount, cost.currency) for name, amount in amounts.items()
        },
        "unpriced": cost.unpriced,
        "minutes": decimal_text(cost.minutes),
        "bay_hours": decimal_text(cost.bay_hours),
    }


def decimal_text(value: Fraction) -> str:
    """Rounded to six decimals, without those that are not needed."""
    whole, rest = divmod(round(value * SIX_DECIMALS), SIX_DECIMALS)
    return f"{whole}.{rest:06d}".rstrip("0").rstrip(".")
