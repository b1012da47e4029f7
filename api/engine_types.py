"""Engine types: layout, spec with its source, shim family, what else an engine takes each time."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Keyed, LengthField, Ratio, Several, Text, Whole
from api.kinds import changes, creates, lists, shows
from api.lookups import family_of, one_of
from api.views import ApiView, Call
from api.words import SIDES
from inventory.compute.lengths import plausible_clearance
from jobs.compute.layout import MAX_CYLINDERS, MAX_EXHAUST, MAX_INTAKE, EngineLayout, faults
from jobs.models import EngineType
from jobs.services.engines import LASH_RATIO, Item, SideSpec, add_engine_type, change_engine_type
from shop.actor import Actor
from shop.errors import FieldError, Invalid
from shop.roles import Action

LAYOUT = ("cylinders", "banks", "intake_per_cylinder", "exhaust_per_cylinder")


class IntakeSerializer(serializers.Serializer):
    min = Keyed(column="intake_min")
    max = Keyed(column="intake_max")
    aim = Keyed(column="intake_aim", allow_null=True)


class ExhaustSerializer(serializers.Serializer):
    min = Keyed(column="exhaust_min")
    max = Keyed(column="exhaust_max")
    aim = Keyed(column="exhaust_aim", allow_null=True)


class PositionSerializer(serializers.Serializer):
    """One valve, seen from above: rows and columns count from 0 within its bank."""

    label = serializers.CharField()
    cylinder = serializers.IntegerField()
    side = serializers.ChoiceField(choices=SIDES)
    bank = serializers.IntegerField()
    row = serializers.IntegerField()
    column = serializers.IntegerField()


class ItemSerializer(serializers.Serializer):
    name = serializers.CharField()
    quantity = serializers.CharField()
    note = serializers.CharField(allow_blank=True)


class EngineTypeRowSerializer(serializers.Serializer):
    code = serializers.CharField()
    name = serializers.CharField()
    cylinders = serializers.IntegerField()
    banks = serializers.IntegerField()
    family = serializers.CharField(source="family.code")
    lash_ratio = serializers.DecimalField(max_digits=8, decimal_places=6)
    intake = IntakeSerializer(source="*")
    exhaust = ExhaustSerializer(source="*")
    spec_source = serializers.CharField()


class EngineTypeSerializer(EngineTypeRowSerializer):
    valves = PositionSerializer(many=True, source="positions.all")
    items = ItemSerializer(many=True, source="items.all")


class SideSerializer(Body):
    min = LengthField(plausible=plausible_clearance)
    max = LengthField(plausible=plausible_clearance)
    aim = LengthField(
        plausible=plausible_clearance, required=False, help_text="Left out: min + 60 % of the way."
    )


class ItemRequestSerializer(Body):
    name = Text(most=80)
    quantity = Text(most=40)
    note = Text(most=200, required=False)


class AddEngineTypeSerializer(Body):
    code = Text(most=24)
    name = Text(most=80)
    cylinders = Whole(least=1, most=MAX_CYLINDERS)
    banks = Whole(least=1, most=2, required=False)
    intake_per_cylinder = Whole(least=1, most=MAX_INTAKE)
    exhaust_per_cylinder = Whole(least=1, most=MAX_EXHAUST)
    family = Text(most=20)
    intake = SideSerializer()
    exhaust = SideSerializer()
    spec_source = Text(most=200, help_text="Where the spec stands: the service manual's page, say.")
    lash_ratio = Ratio(
        max_digits=8, decimal_places=6, min_value=LASH_RATIO[0], max_value=LASH_RATIO[1], required=False
    )
    items = Several(child=ItemRequestSerializer(), least=0, most=40, required=False)


class ChangeEngineTypeSerializer(Body):
    """What is named changes. With a spec or a lash ratio the source is needed anew."""

    name = Text(most=80, required=False)
    intake = SideSerializer(required=False)
    exhaust = SideSerializer(required=False)
    spec_source = Text(most=200, required=False, help_text="Where this spec stands.")
    lash_ratio = Ratio(
        max_digits=8, decimal_places=6, min_value=LASH_RATIO[0], max_value=LASH_RATIO[1], required=False
    )
    items = Several(child=ItemRequestSerializer(), least=0, most=40, required=False)


def _thou(figure: str) -> dict[str, str]:
    return {"value": figure, "unit": "thou"}


EXAMPLE = {
    "code": "twin-8",
    "name": "Parallel twin, eight valves",
    "cylinders": 2,
    "intake_per_cylinder": 2,
    "exhaust_per_cylinder": 2,
    "family": "d29",
    "intake": {"min": _thou("6"), "max": _thou("10")},
    "exhaust": {"min": _thou("10"), "max": _thou("14")},
    "spec_source": "Service manual, section 3, page 12",
    "items": [{"name": "cover gasket", "quantity": "1"}],
}


class EngineTypeView(ApiView):
    answer = EngineTypeSerializer
    one = "engine-type"

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> EngineType:
        rows = EngineType.objects.select_related("family").prefetch_related("positions", "items")
        return one_of(rows, lock=lock, **path)

    def path_of(self, thing: EngineType) -> dict[str, Any]:
        return {"code": thing.code}


class EngineTypes(EngineTypeView):
    @lists(
        Action.READ,
        "list_engine_types",
        "Every engine type.",
        order=("code", "id"),
        query=(queries.text("family", "Only with shims of the family of this code.", most=20),),
        orderings={"code": ("code", "id"), "name": ("name", "id")},
        wide=EngineTypeRowSerializer,
        answer=EngineTypeRowSerializer,
    )
    def get(self, call: Call) -> QuerySet[EngineType]:
        rows = EngineType.objects.select_related("family")
        return rows.filter(**queries.given(call.query, {"family": "family__code"}))

    @creates(
        Action.EDIT_CATALOGUE,
        "add_engine_type",
        "Enter an engine type.",
        body=AddEngineTypeSerializer,
        example=EXAMPLE,
    )
    def post(self, call: Call) -> EngineType:
        body = call.body
        return add_engine_type(
            actor=call.actor,
            code=body["code"],
            name=body["name"],
            layout=_layout({"banks": 1, **body}),
            family=family_of(body["family"]),
            intake=SideSpec(**body["intake"]),
            exhaust=SideSpec(**body["exhaust"]),
            spec_source=body["spec_source"],
            items=[Item(**item) for item in body.get("items", ())],
            **{name: body[name] for name in ("lash_ratio",) if name in body},
        )


class OneEngineType(EngineTypeView):
    @shows(Action.READ, "engine_type", "One engine type with the place of every valve.")
    def get(self, call: Call, code: str) -> EngineType:
        return self.find(call.actor, code=code)

    @changes(
        Action.EDIT_CATALOGUE,
        "change_engine_type",
        "Another name, spec or items; layout and family stay, and jobs keep the spec they were opened with.",
        body=ChangeEngineTypeSerializer,
        example={
            "intake": {"min": _thou("6"), "max": _thou("9")},
            "spec_source": "Service bulletin 3, page 2",
        },
    )
    def patch(self, call: Call, engine_type: EngineType) -> EngineType:
        body = dict(call.body)
        body |= {side: SideSpec(**body[side]) for side in ("intake", "exhaust") if side in body}
        if "items" in body:
            body["items"] = [Item(**item) for item in body["items"]]
        return change_engine_type(engine_type=engine_type, actor=call.actor, **body)


def _layout(body: dict[str, Any]) -> EngineLayout:
    figures = {name: body[name] for name in LAYOUT}
    if wrong := faults(**figures):
        errors = [FieldError(f"/{name}", text) for name, text in wrong.items()]
        words = "; ".join(f"{name} {text}" for name, text in wrong.items())
        raise Invalid(f"No engine is laid out so: {words}.", errors=errors)
    return EngineLayout(**figures)
