"""History: what every movement did to every lot; and the shims that lie where they should only pass."""

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import LengthField
from api.kinds import lists
from api.listing import asked_order, turned
from api.lookups import asked_sites, not_found, site_of
from api.stock import SITE
from api.views import ApiView, Call
from api.words import CONDITIONS, PLACE_KINDS, REASONS
from inventory.models import MovementLine, Place, ShimFamily
from inventory.selectors.history import HistoryFilter, history
from inventory.selectors.people import person_of
from inventory.selectors.stale import DRAINS, StaleLot, stale_lots
from shop.conf import conf
from shop.models import Site
from shop.roles import Action

DRAINING = tuple(kind.value for kind in DRAINS)
MOST_DAYS = 3_650
STALE_FIRST = ("since", "place__code", "family__code", "thickness_nm", "condition", "id")

OF_LINES = (
    queries.text("site", "Code of the site; left out where the credential sees only one.", most=20),
    queries.text("place", "Only of the place of this code: a bin, a tray, transit.", most=20),
    queries.text("family", "Only of the shim family of this code.", most=20),
    queries.length("thickness_min", "Not thinner than this, with its unit: 2.6mm."),
    queries.length("thickness_max", "Not thicker than this."),
    queries.choice("condition", "Only of this condition.", CONDITIONS),
    queries.choice("reason", "Only for this reason.", REASONS),
    queries.identity("job", "Only for this job."),
    queries.text("person", "Only by the person of this log-in, or by a key in their name.", most=150),
    *queries.period("what was done"),
)


class HistorySerializer(serializers.Serializer):
    """So many shims into a place (above zero) or out of it (below), by one line of a movement."""

    site = serializers.CharField(source="movement.site.code")
    movement = serializers.UUIDField(source="movement.uid")
    at = serializers.DateTimeField(source="movement.at")
    reason = serializers.ChoiceField(choices=REASONS, source="movement.reason")
    actor = serializers.CharField(source="movement.actor")
    place = serializers.CharField(source="place.code")
    place_kind = serializers.ChoiceField(choices=PLACE_KINDS, source="place.kind")
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    condition = serializers.ChoiceField(choices=CONDITIONS)
    quantity = serializers.IntegerField()
    job = serializers.UUIDField(source="movement.job_id", allow_null=True)
    document = serializers.CharField(source="movement.document", allow_blank=True)
    note = serializers.CharField(source="movement.note", allow_blank=True)
    reverses = serializers.UUIDField(source="movement.reverses.uid", allow_null=True, default=None)
    reversed_by = serializers.UUIDField(source="movement.reversed_by.uid", allow_null=True, default=None)


class StaleSerializer(serializers.Serializer):
    """A lot of which a shim has lain since `since` in a place that it should only pass."""

    site = serializers.CharField(source="place.site.code")
    place = serializers.CharField(source="place.code")
    place_kind = serializers.ChoiceField(choices=PLACE_KINDS, source="place.kind")
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    condition = serializers.ChoiceField(choices=CONDITIONS)
    on_hand = serializers.IntegerField()
    since = serializers.DateTimeField()


def order_of(query: Mapping[str, Any]) -> tuple[str, ...]:
    """Of a place by its own lines, which have an index of their own."""
    order = ("id",) if "place" in query else ("movement_id", "position")
    return asked_order(query, {"written": order}, tuple(map(turned, order)))


class History(ApiView):
    answer = HistorySerializer

    @lists(
        Action.READ,
        "list_history",
        "Everything that went through the books of one site, line by line, newest first.",
        order=order_of,
        query=OF_LINES,
        orderings={"written": ("movement_id", "position")},
        wide=HistorySerializer,
    )
    def get(self, call: Call) -> QuerySet[MovementLine]:
        return asked_lines(call)[1]


class Stale(ApiView):
    answer = StaleSerializer

    @lists(
        Action.READ,
        "list_stale",
        "Shims that have lain too long in trays, in transit, at inspection or in receiving; longest first.",
        order=STALE_FIRST,
        query=(
            SITE,
            queries.whole(
                "days", "For more than so many days; left out, the shop's setting.", least=0, most=MOST_DAYS
            ),
            queries.choice("place_kind", "Only in places of this kind.", DRAINING),
            queries.text("family", "Only of the shim family of this code.", most=20),
        ),
        orderings={
            "since": STALE_FIRST,
            "place": ("place__code", "family__code", "thickness_nm", "condition", "id"),
            "thickness": ("thickness_nm", "family__code", "condition", "place__code", "id"),
        },
    )
    def get(self, call: Call) -> list[StaleLot]:
        query = call.query
        found = stale_lots(
            at=call.at,
            older_than=timedelta(days=query["days"]) if "days" in query else conf.stale_time,
            sites=asked_sites(call.actor, query),
            kinds=[query["place_kind"]] if "place_kind" in query else DRAINS,
        )
        return [lot for lot in found if query.get("family", lot.family.code) == lot.family.code]


def asked_lines(call: Call) -> tuple[Site, QuerySet[MovementLine]]:
    """The site that is meant, and the lines of its movements that are asked for."""
    site = site_of(call.actor, call.query.get("site"), "?site")
    # Of this one's transit another site's movements take shims too; those are that site's own to tell.
    return site, history(site, _wanted(site, call.query)).filter(movement__site=site)


def _wanted(site: Site, query: Mapping[str, Any]) -> HistoryFilter:
    """What is asked for. Raises NotFound for a place, family or person that the site does not have."""
    place = family = user = None
    if "place" in query:
        place = Place.objects.filter(site=site, code=query["place"]).order_by("kind", "pk").first()
        _refuse_missing(place, "place")
    if "family" in query:
        family = ShimFamily.objects.filter(code=query["family"]).first()
        _refuse_missing(family, "family")
    if "person" in query:
        user = person_of(site, query["person"])
        _refuse_missing(user, "person")
    return HistoryFilter(
        place=place,
        family=family,
        user=user,
        thinnest_nm=query.get("thickness_min"),
        thickest_nm=query.get("thickness_max"),
        condition=query.get("condition"),
        reason=query.get("reason"),
        job_id=query.get("job"),
        since=query.get("from"),
        until=query.get("to"),
    )


def _refuse_missing(found: object | None, name: str) -> None:
    if found is None:
        raise not_found(f"?{name}")
