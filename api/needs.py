"""What is to buy: what jobs lack, and what is wanted for stock."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, LengthField, Moment, Several, Text, Whole
from api.kinds import creates, lists, shows
from api.lookups import asked_sites, families_of_rows, family_of, one_of, site_of
from api.stock import SITE
from api.views import ApiView, Call
from api.words import NEED_ORIGINS, NEED_STATES
from inventory.compute.lengths import plausible_shim
from inventory.models import Need
from inventory.services.many_rows import MOST_ROWS
from inventory.services.needing import (
    MOST_AT_ONCE,
    MOST_TOGETHER,
    NeedRow,
    add_needs,
    add_needs_of_rows,
    restock,
)
from shop.actor import Actor
from shop.roles import Action

NEED_FILTERS = {
    "state": "state",
    "job": "job_id",
    "family": "family__code",
    "origin": "origin",
    "needed_before": "needed_by__lt",
    "from": "created_at__gte",
    "to": "created_at__lt",
}


class NeedSerializer(serializers.Serializer):
    """One shim that a job lacks."""

    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    family = serializers.CharField(source="family.code")
    thickness = LengthField(source="thickness_nm")
    origin = serializers.ChoiceField(choices=NEED_ORIGINS)
    job = serializers.UUIDField(source="job_id", allow_null=True)
    job_label = serializers.CharField(allow_blank=True)
    valve = serializers.CharField(source="valve_label", allow_blank=True)
    would_do = serializers.ListField(
        child=LengthField(), source="would_do_nm", help_text="Empty where only the one thickness does."
    )
    window = serializers.CharField(help_text="Of which window they are: guaranteed, called, or exact.")
    note = serializers.CharField(allow_blank=True)
    needed_by = serializers.DateTimeField(allow_null=True)
    state = serializers.ChoiceField(choices=NEED_STATES)
    created_at = serializers.DateTimeField()


class NeedRowSerializer(Body):
    family = Text(most=20)
    thickness = LengthField(plausible=plausible_shim)
    quantity = Whole(
        least=1, most=MOST_AT_ONCE, required=False, help_text="So many needs alike; left out, 1."
    )
    needed_by = Moment(required=False)
    note = Text(most=120, required=False, help_text="What for.")


class AddNeedSerializer(NeedRowSerializer):
    site = Text(most=20, required=False)


class AddNeedsSerializer(Body):
    site = Text(most=20, required=False)
    rows = Several(child=NeedRowSerializer(), most=MOST_ROWS)


class NeedView(ApiView):
    answer = NeedSerializer
    one = "need"

    def rows(self, actor: Actor) -> QuerySet[Need]:
        return Need.objects.filter(site__in=list(actor.roles)).select_related("site", "family")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Need:
        return one_of(self.rows(actor), lock=lock, **path)


class OneNeed(NeedView):
    @shows(Action.READ, "need", "One need.")
    def get(self, call: Call, **path: Any) -> Need:
        return self.find(call.actor, **path)


class Needs(NeedView):
    @creates(
        Action.PURCHASE,
        "add_needs",
        "Shims that no job waits for are to be bought for stock. Of several alike the first is answered; the "
        "list has each, and POST /needs/bulk answers each.",
        body=AddNeedSerializer,
        example={
            "site": "north",
            "family": "d29",
            "thickness": {"value": "2.650", "unit": "mm"},
            "quantity": 2,
            "note": "for the van",
        },
    )
    def post(self, call: Call) -> Need:
        body = call.body
        made = add_needs(
            site=site_of(call.actor, body.get("site")),
            actor=call.actor,
            at=call.at,
            family=family_of(body["family"]),
            thickness_nm=body["thickness"].nm,
            quantity=body.get("quantity", 1),
            needed_by=body.get("needed_by"),
            note=body.get("note", ""),
        )
        return made[0]

    @lists(
        Action.READ,
        "list_needs",
        "What jobs lack, by family and size.",
        order=("family__code", "thickness_nm", "id"),
        query=(
            SITE,
            queries.choice("state", "Only in this state; to buy is open.", NEED_STATES),
            queries.identity("job", "Only of this job."),
            queries.text("family", "Only of the family of this code.", most=20),
            queries.choice("origin", "Only those that came from this.", NEED_ORIGINS),
            queries.instant("needed_before", "Only those that are needed before this moment."),
            *queries.period("what was written down"),
        ),
        orderings={"created_at": ("created_at", "id"), "thickness": ("thickness_nm", "family__code", "id")},
        wide=NeedSerializer,
    )
    def get(self, call: Call) -> QuerySet[Need]:
        rows = Need.objects.filter(site__in=asked_sites(call.actor, call.query))
        rows = rows.filter(**queries.given(call.query, NEED_FILTERS))
        return rows.select_related("site", "family")


class ManyNeeds(NeedView):
    @creates(
        Action.PURCHASE,
        "add_needs_of_rows",
        f"Sizes to be bought for stock, all or none, at most {MOST_TOGETHER:,} shims; each need is answered.",
        body=AddNeedsSerializer,
        example={
            "site": "north",
            "rows": [
                {"family": "d29", "thickness": {"value": "2.650", "unit": "mm"}, "quantity": 2},
                {"family": "d29", "thickness": {"value": "2.675", "unit": "mm"}, "note": "for the van"},
            ],
        },
        many=True,
    )
    def post(self, call: Call) -> list[Need]:
        rows = call.body["rows"]
        families = families_of_rows(rows)
        return add_needs_of_rows(
            site=site_of(call.actor, call.body.get("site")),
            actor=call.actor,
            at=call.at,
            rows=[
                NeedRow(
                    **{name: value for name, value in row.items() if name not in ("family", "thickness")},
                    family=families[row["family"]],
                    thickness_nm=row["thickness"].nm,
                )
                for row in rows
            ],
        )


class RestockSerializer(Body):
    site = Text(most=20, required=False)


class Restock(NeedView):
    @creates(
        Action.PURCHASE,
        "restock",
        "The restock rule: what is missing of the sizes that are kept in stock is to be bought. Each need "
        "that is made is answered; asked again, there are none.",
        body=RestockSerializer,
        example={"site": "north"},
        many=True,
    )
    def post(self, call: Call) -> list[Need]:
        return restock(site=site_of(call.actor, call.body.get("site")), actor=call.actor, at=call.at)
