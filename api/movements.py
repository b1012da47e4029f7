"""Movements: what happened to shims, and the acts of the floor that write them."""

from typing import Any

from django.db.models import Exists, OuterRef, QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, LengthField, Several, Text, Whole, Word
from api.kinds import acts, lists, shows
from api.lookups import asked_sites, bins_of, families_of, one_of
from api.stock import SITE
from api.views import ApiView, Call
from api.words import CONDITIONS, PLACE_KINDS, REASONS
from inventory.compute.lengths import plausible_shim
from inventory.models import Movement, MovementLine, PlaceKind
from inventory.services.floor import Shims, reverse_movement
from inventory.services.ledger import MOST_LINES as MOST_MOVEMENT_LINES
from shop.actor import Actor
from shop.models import Site
from shop.roles import Action

MOST_LINES = MOST_MOVEMENT_LINES // 2
MOST_QUANTITY = 100_000


MOVEMENT_FILTERS = {
    "job": "job_id",
    "reason": "reason",
    "document": "document",
    "person": "user__username",
    "from": "at__gte",
    "to": "at__lt",
}


class MovementLineSerializer(serializers.Serializer):
    """So many shims into a place (above zero) or out of it (below)."""

    place = serializers.CharField(source="place.code")
    place_kind = serializers.ChoiceField(choices=PLACE_KINDS, source="place.kind")
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    condition = serializers.ChoiceField(choices=CONDITIONS)
    quantity = serializers.IntegerField()


class MovementSerializer(serializers.Serializer):
    id = serializers.UUIDField(source="uid")
    site = serializers.CharField(source="site.code")
    reason = serializers.ChoiceField(choices=REASONS)
    at = serializers.DateTimeField()
    actor = serializers.CharField()
    job = serializers.UUIDField(source="job_id", allow_null=True)
    document = serializers.CharField(allow_blank=True)
    note = serializers.CharField(allow_blank=True)
    reverses = serializers.UUIDField(source="reverses.uid", allow_null=True, default=None)
    reversed_by = serializers.UUIDField(source="reversed_by.uid", allow_null=True, default=None)
    lines = MovementLineSerializer(many=True, source="lines.all")


class ReverseSerializer(Body):
    note = Text(most=400, help_text="Why.")


class MovementView(ApiView):
    answer = MovementSerializer
    one = "movement"

    def rows(self, sites: list[Any]) -> QuerySet[Movement]:
        rows = Movement.objects.filter(site__in=sites, seal__isnull=False)
        rows = rows.select_related("site", "reverses", "reversed_by")
        return rows.prefetch_related("lines__place", "lines__family")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Movement:
        # Never locked: the row does not change, and on PostgreSQL the service's role may not lock it. Of two
        # reversals at once the service refuses the second.
        return one_of(self.rows(list(actor.roles)), lock=False, uid=path["id"])

    def path_of(self, thing: Movement) -> dict[str, Any]:
        return {"id": thing.uid}


class Movements(MovementView):
    @lists(
        Action.READ,
        "list_movements",
        "Movements, newest first.",
        order=("-seq",),
        query=(
            SITE,
            queries.identity("job", "Only of this job."),
            queries.choice("reason", "Only for this reason.", REASONS),
            queries.text("bin", "Only those that touch the bin of this code.", most=20),
            queries.text(
                "document", "Only under this document: a delivery note, a hold's reference.", most=80
            ),
            queries.text("family", "Only with shims of the family of this code.", most=20),
            queries.text("person", "Only by the person of this log-in, or by a key in their name.", most=150),
            *queries.period("written"),
        ),
        orderings={"written": ("seq",)},
        wide=MovementSerializer,
    )
    def get(self, call: Call) -> QuerySet[Movement]:
        query = call.query
        rows = self.rows(asked_sites(call.actor, query)).filter(**queries.given(query, MOVEMENT_FILTERS))
        lines = MovementLine.objects.filter(movement=OuterRef("pk"))
        if "bin" in query:
            rows = rows.filter(Exists(lines.filter(place__kind=PlaceKind.BIN, place__code=query["bin"])))
        if "family" in query:
            rows = rows.filter(Exists(lines.filter(family__code=query["family"])))
        return rows


class OneMovement(MovementView):
    @shows(Action.READ, "movement", "One movement with its lines.")
    def get(self, call: Call, **path: Any) -> Movement:
        return self.find(call.actor, **path)


class ReverseMovement(MovementView):
    @acts(
        Action.REVERSE,
        "reverse_movement",
        "Undo a movement by its mirror image.",
        body=ReverseSerializer,
        example={"note": "Keyed in twice."},
    )
    def post(self, call: Call, movement: Movement) -> Movement:
        return reverse_movement(movement=movement, actor=call.actor, at=call.at, note=call.body["note"])


# --- Lines of shims, as the acts of the floor take them (api/floor.py) ---


class ShimsSerializer(Body):
    family = Text(most=20)
    thickness = LengthField(plausible=plausible_shim)
    condition = Word(choices=CONDITIONS)
    quantity = Whole(least=1, most=MOST_QUANTITY)
    bin = Text(most=20)


class ShimsMaybeInBinSerializer(ShimsSerializer):
    bin = Text(most=20, required=False)


def shims_of(site: Site, lines: list[dict[str, Any]]) -> list[Shims]:
    """The lines of a body, their families and bins found."""
    families = families_of((f"/lines/{i}/family", line["family"]) for i, line in enumerate(lines))
    named = [(f"/lines/{i}/bin", line["bin"]) for i, line in enumerate(lines) if "bin" in line]
    bins = bins_of(site, named)
    return [
        Shims(
            family=families[line["family"]],
            thickness_nm=line["thickness"].nm,
            condition=line["condition"],
            quantity=line["quantity"],
            place=bins[line["bin"]] if "bin" in line else None,
        )
        for line in lines
    ]


def several(child: Body) -> Several:
    return Several(child=child, most=MOST_LINES)
