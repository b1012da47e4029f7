"""Vehicles as a site knows them."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Text
from api.kinds import changes, creates, lists, shows
from api.lookups import asked_sites, engine_type_of, one_of, site_of
from api.stock import SITE
from api.views import ApiView, Call
from jobs.models import Vehicle
from jobs.services.vehicles import change_vehicle, enter_vehicle
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


class EnterVehicleSerializer(Body):
    site = Text(most=20, required=False)
    registration = Text(most=20)
    description = Text(most=120)
    engine_type = Text(most=24, required=False, help_text="Left out: in no list.")
    note = Text(most=400, required=False)


class ChangeVehicleSerializer(Body):
    registration = Text(most=20, required=False)
    description = Text(most=120, required=False)
    engine_type = Text(most=24, required=False, allow_null=True, help_text="null: in no list.")
    note = Text(most=400, required=False, allow_blank=True)


class VehicleView(ApiView):
    answer = VehicleSerializer
    one = "vehicle"

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Vehicle:
        rows = Vehicle.objects.filter(site__in=list(actor.roles)).select_related("site", "engine_type")
        return one_of(rows, lock=lock, **path)


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
