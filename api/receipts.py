"""What came of orders, and what suppliers owe for what was wrong with it."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Identity, LengthField, Ratio, Text, Whole, Word
from api.kinds import acts, creates, lists, shows
from api.lookups import asked_sites, not_found, one_of
from api.movements import MOST_QUANTITY
from api.pointers import as_sent
from api.stock import SITE
from api.views import ApiView, Call
from api.words import CLAIM_KINDS, CLAIM_OUTCOMES, CLAIM_STATES
from inventory.models import Receipt, SupplierClaim
from inventory.selectors.claims import claims_of
from inventory.services.claims import open_claim, settle_claim
from shop.actor import Actor
from shop.errors import FieldError, Invalid
from shop.roles import Action


class ReceiptLineSerializer(serializers.Serializer):
    """Counts are shims. good: as ordered and taken in; over: in receiving; damaged, wrong and rejected (the
    sample failed): at inspection; short: on the delivery note only. price: of one pack, as really paid."""

    line = serializers.UUIDField(source="line_id")
    family = serializers.CharField(source="line.family.code")
    thickness = LengthField(source="line.thickness_nm")
    good = serializers.IntegerField()
    over = serializers.IntegerField()
    damaged = serializers.IntegerField()
    wrong = serializers.IntegerField()
    wrong_thickness = LengthField(source="wrong_nm", allow_null=True)
    short = serializers.IntegerField()
    rejected = serializers.IntegerField()
    measured = serializers.ListField(child=serializers.CharField())
    price = serializers.DecimalField(max_digits=12, decimal_places=4, allow_null=True)


class ReceiptSerializer(serializers.Serializer):
    """lead_days: working days from the order to this delivery; promised_days: those that were promised."""

    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    purchase_list = serializers.UUIDField(source="purchase_list_id")
    supplier = serializers.CharField(source="purchase_list.supplier.code")
    at = serializers.DateTimeField()
    by = serializers.CharField()
    document = serializers.CharField(allow_blank=True)
    lead_days = serializers.IntegerField()
    promised_days = serializers.IntegerField()
    in_time = serializers.BooleanField()
    movement = serializers.UUIDField(source="movement.uid", allow_null=True)
    lines = ReceiptLineSerializer(many=True, source="lines.all")


class ReceiptView(ApiView):
    answer = ReceiptSerializer
    one = "receipt"

    def rows(self, sites: list[Any]) -> QuerySet[Receipt]:
        rows = Receipt.objects.filter(site__in=sites)
        rows = rows.select_related("site", "purchase_list__supplier", "movement")
        return rows.prefetch_related("lines__line__family")


class Receipts(ReceiptView):
    @lists(
        Action.READ,
        "list_receipts",
        "What came of orders, newest first.",
        order=("-at", "-id"),
        query=(
            SITE,
            queries.identity("purchase_list", "Only of this list."),
            queries.text("supplier", "Only from this supplier.", most=20),
            *queries.period("what came"),
        ),
        orderings={"at": ("at", "id")},
        wide=ReceiptSerializer,
    )
    def get(self, call: Call) -> QuerySet[Receipt]:
        wanted = {
            "purchase_list": "purchase_list",
            "supplier": "purchase_list__supplier__code",
            "from": "at__gte",
            "to": "at__lt",
        }
        rows = self.rows(asked_sites(call.actor, call.query))
        return rows.filter(**queries.given(call.query, wanted))


class OneReceipt(ReceiptView):
    @shows(Action.READ, "receipt", "One delivery, line by line.")
    def get(self, call: Call, **path: Any) -> Receipt:
        return one_of(self.rows(list(call.actor.roles)), lock=False, **path)


class SupplierClaimSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    supplier = serializers.CharField(source="supplier.code")
    purchase_list = serializers.UUIDField(source="receipt_line.receipt.purchase_list_id")
    receipt = serializers.UUIDField(source="receipt_line.receipt_id")
    line = serializers.UUIDField(source="receipt_line.line_id")
    family = serializers.CharField(source="receipt_line.line.family.code")
    thickness = LengthField(source="receipt_line.line.thickness_nm")
    kind = serializers.ChoiceField(choices=CLAIM_KINDS)
    quantity = serializers.IntegerField()
    state = serializers.ChoiceField(choices=CLAIM_STATES)
    amount = serializers.DecimalField(max_digits=14, decimal_places=4, allow_null=True)
    currency = serializers.CharField()
    reason = serializers.CharField(
        allow_blank=True,
        help_text="Of a claim by hand; empty where it was noted as the delivery was taken in.",
    )
    note = serializers.CharField(allow_blank=True, help_text="What the supplier said.")
    opened_at = serializers.DateTimeField()
    opened_by = serializers.CharField()
    settled_at = serializers.DateTimeField(allow_null=True)
    settled_by = serializers.CharField(allow_blank=True)
    supplier_return = serializers.UUIDField(source="supplier_return_id", allow_null=True)


class OpenClaimSerializer(Body):
    receipt = Identity(help_text="The delivery.")
    line = Identity(help_text="The line of the purchase list that they came for.")
    kind = Word(choices=CLAIM_KINDS)
    quantity = Whole(least=1, most=MOST_QUANTITY, help_text="At most what came and is not claimed yet.")
    reason = Text(most=400, help_text="What is wrong with them.")


class SettleClaimSerializer(Body):
    outcome = Word(choices=CLAIM_OUTCOMES)
    amount = Ratio(
        max_digits=12,
        decimal_places=4,
        min_value=0,
        required=False,
        help_text="What is credited, in the claim's currency; only, and always, for a credit.",
    )
    note = Text(most=400, required=False)


class SupplierClaimView(ApiView):
    answer = SupplierClaimSerializer
    one = "supplier-claim"

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> SupplierClaim:
        return one_of(claims_of(list(actor.roles)), lock=lock, **path)


class SupplierClaims(SupplierClaimView):
    @lists(
        Action.READ,
        "list_supplier_claims",
        "What suppliers owe for what came short, wrong or damaged, newest first.",
        order=("-opened_at", "-id"),
        query=(
            SITE,
            queries.choice("state", "Only in this state.", CLAIM_STATES),
            queries.text("supplier", "Only to this supplier.", most=20),
            queries.choice("kind", "Only of this kind.", CLAIM_KINDS),
            queries.identity("purchase_list", "Only of what came of this list."),
            *queries.period("what was claimed"),
        ),
        orderings={"opened_at": ("opened_at", "id")},
        wide=SupplierClaimSerializer,
    )
    def get(self, call: Call) -> QuerySet[SupplierClaim]:
        wanted = {
            "state": "state",
            "supplier": "supplier__code",
            "kind": "kind",
            "purchase_list": "receipt_line__receipt__purchase_list",
            "from": "opened_at__gte",
            "to": "opened_at__lt",
        }
        return claims_of(asked_sites(call.actor, call.query)).filter(**queries.given(call.query, wanted))

    @creates(
        Action.PURCHASE,
        "open_claim",
        "Claim what was found of a delivery after it was taken in, or is too many. The shims go back by a "
        "supplier return that names the claim.",
        body=OpenClaimSerializer,
        example={
            "receipt": "0190b0a0-0000-7000-8000-000000000000",
            "line": "0190b0a0-0000-7000-8000-000000000001",
            "kind": "damaged",
            "quantity": 1,
            "reason": "the edge is chipped",
        },
    )
    def post(self, call: Call) -> SupplierClaim:
        body = call.body
        sites = list(call.actor.roles)
        receipt = Receipt.objects.filter(site__in=sites, pk=body["receipt"]).first()
        if receipt is None:
            raise not_found("/receipt")
        row = receipt.lines.select_related("receipt__site").filter(line=body["line"]).first()
        if row is None:
            words = "nothing of this line came with that delivery"
            raise Invalid(f"Nothing was claimed: {words}.", errors=[FieldError("/line", words)])
        return open_claim(
            row=row,
            actor=call.actor,
            at=call.at,
            kind=body["kind"],
            quantity=body["quantity"],
            reason=body["reason"],
        )


class OneSupplierClaim(SupplierClaimView):
    @shows(Action.READ, "supplier_claim", "One claim.")
    def get(self, call: Call, **path: Any) -> SupplierClaim:
        return self.find(call.actor, **path)


class SettleClaim(SupplierClaimView):
    @acts(
        Action.PURCHASE,
        "settle_claim",
        "The supplier credits the claim, replaces the shims, or refuses.",
        body=SettleClaimSerializer,
        example={"outcome": "credited", "amount": "6.20", "note": "credit note 88"},
    )
    def post(self, call: Call, claim: SupplierClaim) -> SupplierClaim:
        body = call.body
        with as_sent({"/state": "/outcome"}):
            return settle_claim(
                claim=claim,
                actor=call.actor,
                at=call.at,
                state=body["outcome"],
                amount=body.get("amount"),
                note=body.get("note", ""),
            )
