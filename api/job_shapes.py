"""What a job looks like when it is sent (rendered by api/job_sheet.py), and what its acts take."""

from typing import Any

from rest_framework import serializers

from api.engine_types import ItemSerializer, SideSerializer
from api.fields import Body, Identity, LengthField, Moment, Named, Ratio, Several, Text, Whole, Word
from api.hold_shapes import HoldSerializer
from api.plan_shapes import (
    ClearanceAfterSerializer,
    LeftOverSerializer,
    ScoreSerializer,
    SizeToBuySerializer,
)
from api.words import (
    ACTS,
    ADJUSTS,
    CONDITIONS,
    HAND_OVER_STATES,
    JOB_STATES,
    KNOWN_BY,
    NEED_STATES,
    PLAN_ALTERNATIVES,
    PLAN_STATES,
    PLANNABLE_CONDITIONS,
    SHOP_ACTIONS,
    SIDES,
    UNITS,
    VERDICTS,
)
from inventory.compute.lengths import LengthError, plausible_clearance, plausible_shim
from jobs.compute.readings import feeler_reading
from jobs.services.engines import LASH_RATIO

MOST_VALVES = 64


class JobRowSerializer(serializers.Serializer):
    """A job in a list."""

    id = serializers.UUIDField()
    number = serializers.IntegerField()
    site = serializers.CharField(source="site.code")
    state = serializers.ChoiceField(choices=JOB_STATES)
    vehicle = serializers.UUIDField(source="vehicle_id")
    registration = serializers.CharField(source="vehicle.registration")
    engine_type = serializers.CharField(
        source="engine_type.code",
        allow_null=True,
        default=None,
        help_text="null: spec and valves were keyed with the job.",
    )
    family = serializers.CharField(source="family.code")
    bay = serializers.IntegerField(source="bay.number", allow_null=True, default=None)
    tray = serializers.CharField(source="tray.code", allow_null=True, default=None)
    opened_at = serializers.DateTimeField()
    priority = serializers.IntegerField(help_text="0 to 9; what completing it counts before others.")
    promised_at = serializers.DateTimeField(allow_null=True)
    closed_at = serializers.DateTimeField(allow_null=True)


class ReadingShownSerializer(serializers.Serializer):
    round = serializers.IntegerField(help_text="How many fits had been done when it was taken.")
    passes = LengthField()
    stops = LengthField()
    stops_given = serializers.BooleanField(help_text="false: not keyed, the next leaf is meant.")
    at = serializers.DateTimeField()
    by = serializers.CharField()


class ShimReadingShownSerializer(serializers.Serializer):
    round = serializers.IntegerField()
    thickness = LengthField()
    known_by = serializers.ChoiceField(choices=KNOWN_BY)
    at = serializers.DateTimeField()
    by = serializers.CharField()


class ShimInValveSerializer(serializers.Serializer):
    thickness = LengthField()
    known_by = serializers.ChoiceField(choices=KNOWN_BY)


class ValveSpecSerializer(serializers.Serializer):
    min = LengthField()
    max = LengthField()


class FitSerializer(serializers.Serializer):
    """What was really done with a valve; `predicted` is the clearance that it should be called now."""

    round = serializers.IntegerField()
    planned = LengthField(allow_null=True)
    fitted = LengthField()
    condition = serializers.ChoiceField(choices=CONDITIONS)
    source = serializers.CharField()
    removed = LengthField(allow_null=True)
    predicted = LengthField(allow_null=True)
    differs = serializers.BooleanField()
    reason = serializers.CharField(allow_blank=True)
    at = serializers.DateTimeField()
    by = serializers.CharField()


class JobValveSerializer(serializers.Serializer):
    """One valve. `reading` is the one that counts now; `before` and `after` are those of the last fit."""

    label = serializers.CharField()
    side = serializers.ChoiceField(choices=SIDES)
    spec = ValveSpecSerializer()
    aim = LengthField()
    adjust = serializers.ChoiceField(choices=ADJUSTS)
    shim = ShimInValveSerializer(allow_null=True, help_text="null while nobody knows it.")
    reading = ReadingShownSerializer(allow_null=True)
    verdict = serializers.ChoiceField(choices=VERDICTS, allow_null=True)
    before = ReadingShownSerializer(allow_null=True)
    after = ReadingShownSerializer(allow_null=True)
    readings = ReadingShownSerializer(many=True, help_text="All that was keyed in, oldest first.")
    shim_readings = ShimReadingShownSerializer(many=True)
    fits = FitSerializer(many=True)


class JobSourceSerializer(serializers.Serializer):
    """One of these; with `job` out of another job's valve or tray."""

    valve = serializers.CharField(required=False, help_text="Out of that valve: a swap.")
    tray = serializers.CharField(required=False, help_text="Left over in that tray.")
    job = serializers.UUIDField(required=False, help_text="Of that job, not of its own.")
    bin = serializers.CharField(required=False, help_text="Out of that bin of the site.")
    catalogue = serializers.BooleanField(required=False, help_text="To be bought.")
    on_order = serializers.BooleanField(required=False, help_text="On its way already.")


class JobShimSerializer(serializers.Serializer):
    thickness = LengthField()
    condition = serializers.ChoiceField(choices=PLANNABLE_CONDITIONS, required=False)

    def get_fields(self) -> dict[str, serializers.Field]:
        # A field cannot be an attribute named `from`.
        return super().get_fields() | {"from": JobSourceSerializer(allow_null=True)}


class PlanLineSerializer(serializers.Serializer):
    label = serializers.CharField()
    verdict = serializers.ChoiceField(choices=VERDICTS, allow_null=True)
    action = serializers.ChoiceField(choices=SHOP_ACTIONS)
    shim = JobShimSerializer(allow_null=True)
    clearance_after = ClearanceAfterSerializer(allow_null=True)
    guaranteed = serializers.BooleanField(allow_null=True)
    why = serializers.CharField()
    why_not = serializers.CharField(
        allow_blank=True, help_text="What stood against the nearest shim that would be closer to the aim."
    )


class JobPlanSerializer(serializers.Serializer):
    """As POST /plans answers it, with its place in the job."""

    number = serializers.IntegerField()
    state = serializers.ChoiceField(choices=PLAN_STATES)
    stale_because = serializers.CharField(allow_blank=True)
    alternative = serializers.ChoiceField(choices=PLAN_ALTERNATIVES, help_text="The wish it is best for.")
    worth_having = serializers.ListField(
        child=serializers.CharField(), help_text="What one more shim in the drawer would have changed."
    )
    created_at = serializers.DateTimeField()
    created_by = serializers.CharField()
    score = ScoreSerializer()
    valves = PlanLineSerializer(many=True)
    left_over = LeftOverSerializer(many=True)
    to_buy = SizeToBuySerializer(many=True)
    to_measure = serializers.ListField(child=serializers.CharField())


class JobNeedSerializer(serializers.Serializer):
    valve = serializers.CharField()
    thickness = LengthField()
    state = serializers.ChoiceField(choices=NEED_STATES)
    purchase_list = serializers.UUIDField(allow_null=True)


class HandOverEndSerializer(serializers.Serializer):
    """One end of a hand-over: the valve; null for a shim that lies in the tray."""

    job = serializers.UUIDField()
    number = serializers.IntegerField()
    bay = serializers.IntegerField(allow_null=True)
    valve = serializers.CharField(allow_null=True)


class HandOverSerializer(serializers.Serializer):
    """A shim that goes from one job to another."""

    id = serializers.UUIDField()
    state = serializers.ChoiceField(choices=HAND_OVER_STATES)
    thickness = LengthField()
    to = HandOverEndSerializer()
    say = serializers.CharField(help_text="The instruction, one sentence.")
    handed_over_at = serializers.DateTimeField(allow_null=True)
    handed_over_by = serializers.CharField(allow_blank=True)

    def get_fields(self) -> dict[str, serializers.Field]:
        # A field cannot be an attribute named `from`.
        return super().get_fields() | {"from": HandOverEndSerializer()}


class JobEventSerializer(serializers.Serializer):
    act = serializers.CharField()
    at = serializers.DateTimeField()
    by = serializers.CharField()
    text = serializers.CharField()


class JobSerializer(JobRowSerializer):
    """The whole sheet of one job. `may`: the acts that its state allows; `next`: what comes next."""

    description = serializers.CharField()
    unit = serializers.ChoiceField(choices=UNITS)
    lash_ratio = serializers.CharField()
    spec_source = serializers.CharField()
    odometer = serializers.CharField(allow_blank=True)
    note = serializers.CharField(allow_blank=True)
    round = serializers.IntegerField(help_text="How many fits were done.")
    opened_by = serializers.CharField()
    closed_by = serializers.CharField(allow_blank=True)
    sign_off_reason = serializers.CharField(allow_blank=True)
    may = serializers.ListField(child=serializers.ChoiceField(choices=ACTS))
    next = serializers.CharField()
    to_read = serializers.ListField(child=serializers.CharField())
    valves = JobValveSerializer(many=True)
    plan = JobPlanSerializer(allow_null=True)
    holds = HoldSerializer(many=True, help_text="Those that stand.")
    needs = JobNeedSerializer(many=True, help_text="What is to buy or on its way.")
    hand_overs = HandOverSerializer(many=True, help_text="Shims that come from other jobs or go to them.")
    items = ItemSerializer(many=True, help_text="What else the engine takes each time.")
    events = JobEventSerializer(many=True)


# --- What the acts take ---


class KeyedValveSerializer(Body):
    label = Text(most=40, help_text="Letters, digits, - . and _; its own in this engine.")
    side = Word(choices=SIDES)
    spec = SideSerializer(required=False, help_text="Left out: that of its side.")


class KeyedEngineSerializer(Body):
    """An engine that is in no list."""

    family = Text(most=20)
    spec_source = Text(most=200, help_text="Where the spec stands: the service manual's page, say.")
    lash_ratio = Ratio(
        max_digits=8, decimal_places=6, min_value=LASH_RATIO[0], max_value=LASH_RATIO[1], required=False
    )
    intake = SideSerializer(required=False)
    exhaust = SideSerializer(required=False)
    valves = Several(child=KeyedValveSerializer(), most=MOST_VALVES)


class OpenJobSerializer(Body):
    site = Text(most=20, required=False)
    vehicle = Identity()
    bay = Whole(
        least=1, most=1000, required=False, help_text="The bay's number; left out, it is in the yard."
    )
    unit = Word(choices=UNITS, required=False, help_text="Left out: thou.")
    odometer = Text(most=40, required=False)
    promised_at = Moment(required=False)
    priority = Whole(least=0, most=9, required=False, help_text="Left out: 0.")
    note = Text(most=400, required=False)
    engine = KeyedEngineSerializer(
        required=False, help_text="Needed where the vehicle has no engine type; goes before the one it has."
    )


class TakeIntoBaySerializer(Body):
    bay = Whole(least=1, most=1000, required=False, help_text="The bay's number; left out: the yard.")


class SetPromiseSerializer(Body):
    priority = Whole(least=0, most=9, required=False, help_text="Left out: 0.")
    promised_at = Moment(required=False, help_text="Left out: not promised for any time.")


class HandOverBodySerializer(Body):
    hand_over = Identity(help_text="Its id among the job's `hand_overs`.")


class FeelerSerializer(Body):
    passes = LengthField(plausible=plausible_clearance)
    stops = LengthField(plausible=plausible_clearance, required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        # The service says so too; said here it is named together with what else is wrong.
        try:
            feeler_reading(attrs["passes"], attrs.get("stops"))
        except LengthError as error:
            raise serializers.ValidationError({"stops": error.message}) from error
        return attrs


class KeyClearancesSerializer(Body):
    readings = Named(child=FeelerSerializer(), most=MOST_VALVES, help_text="By valve label.")


class FoundShimSerializer(Body):
    thickness = LengthField(plausible=plausible_shim)
    known_by = Word(choices=KNOWN_BY)


class KeyShimsSerializer(Body):
    shims = Named(child=FoundShimSerializer(), most=MOST_VALVES, help_text="By valve label.")


class SetAdjustSerializer(Body):
    adjust = Named(child=Word(choices=ADJUSTS), most=MOST_VALVES, help_text="By valve label.")


class NoteSerializer(Body):
    note = Text(most=380, required=False)


class StopJobSerializer(Body):
    note = Text(most=380, help_text="Why.")


class SignOffSerializer(Body):
    reason = Text(
        most=380,
        required=False,
        help_text="Needed where a valve is out of spec, not read or not as predicted.",
    )


class ReallyFittedSerializer(Body):
    thickness = LengthField(plausible=plausible_shim)
    condition = Word(choices=CONDITIONS)
    source = Text(most=60, help_text="tray, bin:<code> or valve:<label>.")
    reason = Text(most=400, help_text="Why it differs from the plan.")


class FitJobSerializer(Body):
    really = Named(
        child=ReallyFittedSerializer(),
        most=MOST_VALVES,
        required=False,
        help_text="By valve label, where it differs from the plan.",
    )
