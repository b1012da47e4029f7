"""Vehicles as a site knows them."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Several, Text
from api.kinds import changes, creates, lists, shows
from api.lookups import asked_sites, engine_type_of, engine_types_of, one_of, site_of
from api.stock import SITE
from api.views import ApiView, Call
from inventory.services.many_rows import MOST_ROWS
from jobs.models import Vehicle
from jobs.services.vehicles import VehicleRow, change_vehicle, enter_vehicle, enter_vehicles
from shop.actor import Actor
from shop.roles import Action


class VehicleSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    registration = serializers.CharField()
    description = serializers.CharField()
    engine_type = serializers.CharField(
        source="engine_type.code",
        allow_null=True,
        default=None,
        help_text="null: in no list; the spec is keyed with each job.",
    )
    note = serializers.CharField(allow_blank=True)


class VehicleRowSerializer(Body):
    registration = Text(most=20)
    description = Text(most=120)
    engine_type = Text(most=24, required=False, help_text="Left out: in no list.")
    note = Text(most=400, required=False)


class EnterVehicleSerializer(VehicleRowSerializer):
    site = Text(most=20, required=False)


class EnterVehiclesSerializer(Body):
    site = Text(most=20, required=False)
    rows = Several(child=VehicleRowSerializer(), most=MOST_ROWS)


class ChangeVehicleSerializer(Body):
    registration = Text(most=20, required=False)
    description = Text(most=120, required=False)
    engine_type = Text(most=24, required=False, allow_null=True, help_text="null: in no list.")
    note = Text(most=400, required=False, allow_blank=True)


class VehicleView(ApiView):
    answer = VehicleSerializer
    one = "vehicle"

    def rows(self, actor: Actor) -> QuerySet[Vehicle]:
        return Vehicle.objects.filter(site__in=list(actor.roles)).select_related("site", "engine_type")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Vehicle:
        return one_of(self.rows(actor), lock=lock, **path)


class Vehicles(VehicleView):
    @lists(
        Action.READ,
        "list_vehicles",
        "Vehicles by registration.",
        order=("registration", "id"),
        query=(
            SITE,
            queries.text("registration", "Only this registration.", most=20),
            queries.text("engine_type", "Only with an engine of the type of this code.", most=24),
        ),
        orderings={"registration": ("registration", "id")},
        wide=VehicleSerializer,
    )
    def get(self, call: Call) -> QuerySet[Vehicle]:
        rows = Vehicle.objects.filter(site__in=asked_sites(call.actor, call.query))
        if "registration" in call.query:
            rows = rows.filter(registration=" ".join(call.query["registration"].split()).upper())
        rows = rows.filter(**queries.given(call.query, {"engine_type": "engine_type__code"}))
        return rows.select_related("site", "engine_type")

    @creates(
        Action.EDIT_VEHICLE,
        "enter_vehicle",
        "Enter a vehicle.",
        body=EnterVehicleSerializer,
        example={
            "site": "north",
            "registration": "KX 204 T",
            "description": "Blue tourer",
            "engine_type": "twin-8",
        },
    )
    def post(self, call: Call) -> Vehicle:
        body = call.body
        return enter_vehicle(
            site=site_of(call.actor, body.get("site")),
            actor=call.actor,
            at=call.at,
            registration=body["registration"],
            description=body["description"],
            engine_type=engine_type_of(body["engine_type"]) if "engine_type" in body else None,
            note=body.get("note", ""),
        )


class ManyVehicles(VehicleView):
    @creates(
        Action.EDIT_VEHICLE,
        "enter_vehicles",
        "Enter many vehicles, all or none; every wrong row is named.",
        body=EnterVehiclesSerializer,
        example={
            "site": "north",
            "rows": [
                {"registration": "KX 204 T", "description": "Blue tourer", "engine_type": "twin-8"},
                {"registration": "KX 311 B", "description": "Red van", "note": "comes each spring"},
            ],
        },
        many=True,
    )
    def post(self, call: Call) -> list[Vehicle]:
        rows = call.body["rows"]
        types = engine_types_of(
            (f"/rows/{number}/engine_type", row["engine_type"])
            for number, row in enumerate(rows)
            if "engine_type" in row
        )
        return enter_vehicles(
            site=site_of(call.actor, call.body.get("site")),
            actor=call.actor,
            at=call.at,
            rows=[VehicleRow(**row | {"engine_type": types.get(row.get("engine_type"))}) for row in rows],
        )


class OneVehicle(VehicleView):
    @shows(Action.READ, "vehicle", "One vehicle; its history is `GET /jobs?vehicle=<id>`.")
    def get(self, call: Call, **path: Any) -> Vehicle:
        return self.find(call.actor, **path)

    @changes(
        Action.EDIT_VEHICLE,
        "change_vehicle",
        "Other particulars; jobs keep the spec that they were opened with.",
        body=ChangeVehicleSerializer,
        example={"description": "Blue tourer, new engine", "engine_type": "twin-8"},
    )
    def patch(self, call: Call, vehicle: Vehicle) -> Vehicle:
        body = dict(call.body)
        if body.get("engine_type") is not None:
            body["engine_type"] = engine_type_of(body["engine_type"])
        return change_vehicle(vehicle=vehicle, actor=call.actor, at=call.at, **body)
