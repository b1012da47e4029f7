"""Journeys: used shims that went into an engine, and out of which engine each came."""

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers

from api import queries
from api.fields import LengthField
from api.kinds import lists
from api.listing import ORDERING
from api.lookups import not_found, site_of
from api.pagination import Found
from api.views import ApiView, Call
from inventory.models import Movement, ShimFamily
from inventory.selectors.journeys import TracedShim, TracedShims, traced_shims
from shop.models import Site
from shop.roles import Action

OF_JOURNEYS = (
    queries.text("site", "Code of the site; left out where the credential sees only one.", most=20),
    queries.text("family", "Only of the shim family of this code.", most=20),
    queries.identity("job", "Only what by could_be came out of this job's engine, or went into it."),
    queries.choice(
        "same_engine",
        "Only what went back into the engine that it came out of, or only what did not.",
        ("true", "false"),
    ),
    *queries.period("what went in"),
)


class EndSerializer(serializers.Serializer):
    """One end of a journey: whose engine, by which movement, and the thickness by the books.
    job: null where the movement was for no job."""

    job = serializers.UUIDField(allow_null=True)
    movement = serializers.UUIDField()
    at = serializers.DateTimeField()
    document = serializers.CharField(allow_blank=True)
    thickness = LengthField()


class JourneySerializer(serializers.Serializer):
    """A used shim that went into an engine. came_out: null where that is not known. days: whole days between.
    Where equal shims of several engines lay together nobody can tell them apart: could_be names every job
    that it may have come from; certain is false. Of more than twenty it names those that came out last, and
    or_others is true. What was found or counted in, or came from another site, may have come out of any
    engine, here or elsewhere, or of none: null in could_be stands for that, and certain is false. A fit that
    was reversed put none in; whether shims moved that were booked and reversed, or never did, is left open.
    """

    site = serializers.CharField()
    family = serializers.CharField()
    went_in = EndSerializer()
    came_out = EndSerializer(allow_null=True)
    days = serializers.IntegerField(allow_null=True)
    same_engine = serializers.BooleanField(help_text="It went back into the engine that it came out of.")
    certain = serializers.BooleanField(
        help_text="The books leave no other engine than that of came_out; never where came_out is null."
    )
    could_be = serializers.ListField(
        child=serializers.UUIDField(allow_null=True),
        help_text="Jobs whose engine it may have come out of; null: any engine, here or elsewhere, or none.",
    )
    or_others = serializers.BooleanField(help_text="It may have come from more jobs than could_be names.")

    def to_representation(self, instance: TracedShim) -> Any:
        return super().to_representation(_told(instance))


class Journeys(ApiView):
    answer = JourneySerializer

    @lists(
        Action.READ,
        "list_journeys",
        "Used shims that went into engines of one site, and the engines that they came out of; newest first.",
        order=("-into__pk", "-nth"),
        orderings={"at": ("into__pk", "nth")},
        query=OF_JOURNEYS,
        wide=JourneySerializer,
    )
    def get(self, call: Call) -> Found:
        _, shims = asked_journeys(call)
        rising = call.query.get(ORDERING) == "at"

        def found(last: list[Any] | None, most: int) -> list[TracedShim]:
            return shims.behind(None if last is None else (last[0], last[1]), most=most, rising=rising)

        return found


def asked_journeys(call: Call) -> tuple[Site, TracedShims]:
    """The site that is meant, and the used shims that went into engines there and are asked for."""
    query = call.query
    site = site_of(call.actor, query.get("site"), "?site")
    return site, traced_shims(
        site,
        family_in(query),
        job_id=query.get("job"),
        since=query.get("from"),
        until=query.get("to"),
        same_engine=query["same_engine"] == "true" if "same_engine" in query else None,
    )


def family_in(query: Mapping[str, Any]) -> ShimFamily | None:
    """The family that the query names; None where it names none. Raises NotFound."""
    if "family" not in query:
        return None
    found = ShimFamily.objects.filter(code=query["family"]).first()
    if found is None:
        raise not_found("?family")
    return found


def _told(shim: TracedShim) -> dict[str, Any]:
    return {
        "site": shim.into.site.code,
        "family": shim.family.code,
        "went_in": _end(shim.into, shim.to_job, shim.in_nm),
        "came_out": None if shim.out is None else _end(shim.out, shim.from_job, shim.out_nm),
        "days": shim.days,
        "same_engine": shim.same_engine,
        "certain": shim.certain,
        "could_be": shim.could_be,
        "or_others": shim.or_others,
    }


def _end(movement: Movement, job: Any, thickness_nm: int | None) -> dict[str, Any]:
    return {
        "job": job,
        "movement": movement.uid,
        "at": movement.at,
        "document": movement.document,
        "thickness": thickness_nm,
    }
