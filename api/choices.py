"""The choice of what to buy where, and what follows from it: drafts changed, approved and sent."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Flag, Identity, Several, Text, Whole
from api.kinds import acts, creates, lists, shows
from api.lookups import asked_sites, one_of, site_of
from api.purchasing import MOST_LINES, MOST_QUANTITY, PurchaseListView
from api.stock import SITE
from api.views import ApiView, Call
from inventory.models import PurchaseChoice, PurchaseList
from inventory.services.choosing import ask_for_choice
from inventory.services.ordering import (
    approve_list,
    edit_list,
    note_reference,
    reopen_list,
    send_again,
    send_list,
)
from shop.actor import Actor
from shop.errors import FieldError, Invalid
from shop.roles import Action


class UnmetSerializer(serializers.Serializer):
    need = serializers.UUIDField()
    family = serializers.CharField()
    reason = serializers.CharField()


class ChoiceFiguresSerializer(serializers.Serializer):
    """Amounts in `currency`. alone: what an order for each need would cost; saves: what gathering saves.
    gap: by how large a share another choice could be cheaper at most.
    """

    currency = serializers.CharField()
    goods = serializers.CharField()
    delivery = serializers.CharField()
    lateness = serializers.CharField()
    other_size = serializers.CharField()
    credit = serializers.CharField()
    total = serializers.CharField()
    alone = serializers.CharField()
    saves = serializers.CharField()
    proven = serializers.BooleanField()
    gap = serializers.CharField()
    proof = serializers.CharField()
    waits = serializers.ListField(child=serializers.CharField())
    unmet = UnmetSerializer(many=True)


class PurchaseChoiceSerializer(serializers.Serializer):
    """`result` is null until the task is done, and when nothing came of it; `message` says why."""

    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    task = serializers.UUIDField(source="task_id", allow_null=True)
    asked_at = serializers.DateTimeField()
    asked_by = serializers.CharField()
    made_at = serializers.DateTimeField(allow_null=True)
    message = serializers.CharField(allow_blank=True)
    result = ChoiceFiguresSerializer(source="outcome", allow_null=True)
    lists = serializers.ListField(child=serializers.UUIDField(), source="list_ids")


class ChooseSerializer(Body):
    site = Text(most=20, required=False)


class PurchaseChoiceView(ApiView):
    answer = PurchaseChoiceSerializer
    one = "purchase-choice"

    def rows(self, sites: list[Any]) -> QuerySet[PurchaseChoice]:
        return PurchaseChoice.objects.filter(site__in=sites).select_related("site").prefetch_related("lists")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> PurchaseChoice:
        return one_of(self.rows(list(actor.roles)), lock=lock, **path)


class PurchaseChoices(PurchaseChoiceView):
    @lists(
        Action.READ,
        "list_purchase_choices",
        "What was chosen to buy where, the latest first.",
        order=("-asked_at", "-id"),
        query=(SITE, *queries.period("what was asked for")),
        orderings={"asked_at": ("asked_at", "id")},
    )
    def get(self, call: Call) -> QuerySet[PurchaseChoice]:
        rows = self.rows(asked_sites(call.actor, call.query))
        return rows.filter(**queries.given(call.query, {"from": "asked_at__gte", "to": "asked_at__lt"}))

    @creates(
        Action.PURCHASE,
        "ask_for_choice",
        "Have it worked out what to buy where at least cost; the task writes drafts.",
        body=ChooseSerializer,
        example={"site": "north"},
    )
    def post(self, call: Call) -> PurchaseChoice:
        site = site_of(call.actor, call.body.get("site"))
        return ask_for_choice(site=site, actor=call.actor, at=call.at)


class OnePurchaseChoice(PurchaseChoiceView):
    @shows(Action.READ, "purchase_choice", "One choice, with what it saves and who waits for what.")
    def get(self, call: Call, **path: Any) -> PurchaseChoice:
        return self.find(call.actor, **path)


class EditedLineSerializer(Body):
    line = Identity(help_text="Of the list.")
    packs = Whole(least=0, most=MOST_QUANTITY, required=False, help_text="0 takes the line off.")
    locked = Flag(required=False, help_text="true: the line stays when the choice is made again.")


class EditListSerializer(Body):
    lines = Several(child=EditedLineSerializer(), most=MOST_LINES)


class ReferenceSerializer(Body):
    reference = Text(most=60)


class EditList(PurchaseListView):
    @acts(
        Action.PURCHASE,
        "edit_list",
        "Other numbers of packs on a draft; lock lines or unlock them.",
        body=EditListSerializer,
        example={"lines": [{"line": "0190b0a0-0000-7000-8000-000000000000", "packs": 3, "locked": True}]},
    )
    def post(self, call: Call, found: PurchaseList) -> PurchaseList:
        lines = call.body["lines"]
        if len({line["line"] for line in lines}) < len(lines):
            raise Invalid("Name each line once.", errors=[FieldError("/lines", "name each line once")])
        return edit_list(
            purchase_list=found,
            actor=call.actor,
            at=call.at,
            packs={line["line"]: line["packs"] for line in lines if "packs" in line},
            locked={line["line"]: line["locked"] for line in lines if "locked" in line},
        )


class ApproveList(PurchaseListView):
    @acts(
        Action.PURCHASE,
        "approve_list",
        "The draft may be ordered; above the shop's limit that takes a manager.",
    )
    def post(self, call: Call, found: PurchaseList) -> PurchaseList:
        return approve_list(purchase_list=found, actor=call.actor, at=call.at)


class ReopenList(PurchaseListView):
    @acts(Action.PURCHASE, "reopen_list", "An approved list is a draft again.")
    def post(self, call: Call, found: PurchaseList) -> PurchaseList:
        return reopen_list(purchase_list=found, actor=call.actor, at=call.at)


class SendList(PurchaseListView):
    @acts(
        Action.PURCHASE,
        "send_list",
        "Order what was approved, by e-mail where the supplier has an address.",
    )
    def post(self, call: Call, found: PurchaseList) -> PurchaseList:
        return send_list(purchase_list=found, actor=call.actor, at=call.at)


class SendAgain(PurchaseListView):
    @acts(Action.PURCHASE, "send_again", "Send the same order once more, marked as a copy.")
    def post(self, call: Call, found: PurchaseList) -> PurchaseList:
        return send_again(purchase_list=found, actor=call.actor, at=call.at)


class NoteReference(PurchaseListView):
    @acts(
        Action.PURCHASE,
        "note_reference",
        "Keep what the supplier calls the order.",
        body=ReferenceSerializer,
        example={"reference": "NB 4711"},
    )
    def post(self, call: Call, found: PurchaseList) -> PurchaseList:
        return note_reference(
            purchase_list=found, actor=call.actor, at=call.at, reference=call.body["reference"]
        )
