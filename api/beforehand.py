"""GET /checks-before-opening: before the cover comes off, will the site have what the engine takes?"""

from fractions import Fraction
from typing import Any

from rest_framework import serializers

from api import queries
from api.fields import LengthField
from api.kinds import shows
from api.lookups import engine_type_of, not_found, site_of
from api.views import ApiView, Call
from api.words import CHECK_BASES, SHELF_STATES
from inventory.compute.lengths import from_nm
from jobs.models import Vehicle
from jobs.selectors.beforehand import Beforehand, LeftValve, SizeRow, before_opening
from shop.actor import Actor
from shop.errors import FieldError, Invalid
from shop.models import Site
from shop.roles import Action


class ElsewhereSerializer(serializers.Serializer):
    site = serializers.CharField()
    available = serializers.IntegerField()


class WantedSizeSerializer(serializers.Serializer):
    """wanted_in, bought_in: in so many cases one is taken from a bin or bought, has to be bought. most: of it
    in one engine. on_order: `for_jobs` of these are for jobs that wait. on_list: to be bought for stock."""

    size = LengthField(help_text="A made size; used shims count with the nearest.")
    state = serializers.ChoiceField(choices=SHELF_STATES)
    wanted_in = serializers.IntegerField()
    bought_in = serializers.IntegerField()
    most = serializers.IntegerField()
    available = serializers.IntegerField()
    on_hand = serializers.IntegerField()
    held = serializers.IntegerField()
    elsewhere = ElsewhereSerializer(many=True, help_text="At other sites where the key may hold shims.")
    on_order = serializers.IntegerField()
    for_jobs = serializers.IntegerField()
    on_list = serializers.IntegerField()
    order = serializers.IntegerField(help_text="So many to order today.")


class AsLeftSerializer(serializers.Serializer):
    passes = LengthField()
    stops = LengthField()


class LeftValveSerializer(serializers.Serializer):
    label = serializers.CharField()
    clearance = AsLeftSerializer(allow_null=True, help_text="null where it was not read.")
    shim = LengthField(allow_null=True, help_text="null where nobody has measured it.")


class LastVisitSerializer(serializers.Serializer):
    job = serializers.UUIDField()
    number = serializers.IntegerField()
    signed_off_at = serializers.DateTimeField()
    valves = LeftValveSerializer(many=True)


class CheckSerializer(serializers.Serializer):
    """`done` of `cases` need nothing bought; `chance` is that share, `low` to `high` its bounds at 95 %:
    decimal texts, null without a case. Cases are whole past engines of the type, or changes between two
    visits of such engines laid on this one, `rest_on` of them. Without a case `say` says so."""

    site = serializers.CharField()
    vehicle = serializers.UUIDField(allow_null=True)
    engine_type = serializers.CharField(allow_null=True, help_text="null: the engine is in no list.")
    basis = serializers.ChoiceField(choices=CHECK_BASES, allow_null=True, help_text="null without a case.")
    cases = serializers.IntegerField()
    rest_on = serializers.IntegerField()
    left_out = serializers.IntegerField(help_text="Past engines or changes that were not read whole.")
    done = serializers.IntegerField()
    unresolved = serializers.IntegerField(help_text="Cases with a valve for which no shim is made.")
    chance = serializers.CharField(allow_null=True)
    low = serializers.CharField(allow_null=True)
    high = serializers.CharField(allow_null=True)
    with_order = serializers.IntegerField(help_text="As `done`, with what comes and what is to be ordered.")
    sizes = WantedSizeSerializer(many=True, help_text="The most wanted first.")
    last_visit = LastVisitSerializer(allow_null=True)
    not_read = serializers.ListField(
        child=serializers.CharField(), help_text="Labels of valves that nothing is said of."
    )
    open_job = serializers.UUIDField(allow_null=True, help_text="A job that is open on the vehicle already.")
    say = serializers.ListField(child=serializers.CharField(), help_text="The same in plain sentences.")


class ChecksBeforeOpening(ApiView):
    answer = CheckSerializer

    @shows(
        Action.PLAN,
        "check_before_opening",
        "Before the cover comes off: how likely the site has what the engine takes, and what to order.",
        query=(
            queries.text(
                "site", "Code of a site; it may be left out with a vehicle, or where there is one.", 20
            ),
            queries.identity("vehicle", "The vehicle, by its id. Either this or engine_type."),
            queries.text("engine_type", "For a vehicle that was never here: the code of its engine type."),
        ),
    )
    def get(self, call: Call) -> Beforehand:
        named = [name for name in ("vehicle", "engine_type") if name in call.query]
        if len(named) != 1:
            errors = [FieldError("?vehicle", "give either the vehicle or its engine_type")]
            raise Invalid("Name the vehicle or the engine type, one of them.", errors=errors)
        if "vehicle" in call.query:
            vehicle = _vehicle(call)
            return _looked(call.actor, vehicle.site, vehicle=vehicle)
        site = site_of(call.actor, call.query.get("site"), "?site")
        engine_type = engine_type_of(call.query["engine_type"], "?engine_type")
        return _looked(call.actor, site, engine_type=engine_type)

    def represent(self, thing: Beforehand) -> dict[str, Any]:
        ahead, last = thing.ahead, thing.last_job
        return {
            "site": thing.site.code,
            "vehicle": str(thing.vehicle.pk) if thing.vehicle else None,
            "engine_type": thing.engine_type.code if thing.engine_type else None,
            "basis": thing.told.basis if thing.told and ahead.cases else None,
            "cases": ahead.cases,
            "rest_on": ahead.rest_on,
            "left_out": thing.cases.left_out,
            "done": ahead.done,
            "unresolved": ahead.unresolved,
            "chance": _share(ahead.chance),
            "low": _share(ahead.low),
            "high": _share(ahead.high),
            "with_order": ahead.with_order,
            "sizes": [_size(row) for row in thing.rows],
            "last_visit": None
            if last is None
            else {
                "job": str(last.pk),
                "number": last.number,
                "signed_off_at": serializers.DateTimeField().to_representation(last.closed_at),
                "valves": [_left(valve) for valve in thing.left],
            },
            "not_read": list(thing.cases.said_nothing_of),
            "open_job": str(thing.open_job.pk) if thing.open_job else None,
            "say": list(thing.say),
        }


def _vehicle(call: Call) -> Vehicle:
    rows = Vehicle.objects.filter(site__in=list(call.actor.roles)).select_related(
        "site", "engine_type__family"
    )
    if "site" in call.query:
        rows = rows.filter(site=site_of(call.actor, call.query["site"], "?site"))
    vehicle = rows.filter(pk=call.query["vehicle"]).first()
    if vehicle is None:
        raise not_found("?vehicle")
    return vehicle


def _looked(actor: Actor, site: Site, **asked: Any) -> Beforehand:
    actor.must(Action.PLAN, site)
    return before_opening(site, actor, **asked)


def _size(row: SizeRow) -> dict[str, Any]:
    return {
        "size": from_nm(row.size.size_nm).as_json(),
        "state": row.size.state,
        "wanted_in": row.size.wanted,
        "bought_in": row.size.bought,
        "most": row.size.most,
        "available": row.count.available,
        "on_hand": row.count.on_hand,
        "held": row.count.held,
        "elsewhere": [{"site": site.code, "available": count} for site, count in row.elsewhere],
        "on_order": row.coming.on_order,
        "for_jobs": row.coming.for_jobs,
        "on_list": row.coming.to_buy,
        "order": row.size.order,
    }


def _left(valve: LeftValve) -> dict[str, Any]:
    return {
        "label": valve.label,
        "clearance": None
        if valve.reading is None
        else {
            "passes": from_nm(valve.reading.passes_nm).as_json(),
            "stops": from_nm(valve.reading.stops_nm).as_json(),
        },
        "shim": None if valve.shim_nm is None else from_nm(valve.shim_nm).as_json(),
    }


def _share(share: Fraction | None) -> str | None:
    """A decimal text with two decimals, half up."""
    if share is None:
        return None
    whole, rest = divmod(int(share * 100 + Fraction(1, 2)), 100)
    return f"{whole}.{rest:02d}"
