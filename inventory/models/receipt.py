"""What came of an order, as it was found at the counter, and what the supplier owes for the rest."""

from django.db import models
from django.db.models import Q

from shop.ids import new_id
from shop.models import Site

from .ledger import Movement
from .purchase import PurchaseLine, PurchaseList
from .supplier import Supplier
from .supplier_return import SupplierReturn


class Receipt(models.Model):
    """One delivery of an order, booked once. document: the supplier's delivery note.

    lead_days: working days of the supplier from the order to this delivery; promised_days: those it promised.
    movement: None where nothing came in, as when a delivery note names what was not in the parcel.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="receipts")
    purchase_list = models.ForeignKey(PurchaseList, on_delete=models.PROTECT, related_name="receipts")
    at = models.DateTimeField()
    by = models.CharField(max_length=160)
    document = models.CharField(max_length=80, blank=True)
    lead_days = models.PositiveSmallIntegerField()
    promised_days = models.PositiveSmallIntegerField()
    movement = models.OneToOneField(
        Movement, null=True, blank=True, on_delete=models.PROTECT, related_name="receipt"
    )

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [models.Index(fields=["site", "-at"], name="receipt_latest")]

    def __str__(self) -> str:
        return f"Delivery of {self.at:%Y-%m-%d}"

    @property
    def in_time(self) -> bool:
        return self.lead_days <= self.promised_days


class ReceiptLine(models.Model):
    """What was found of one line of an order. All counts are shims.

    good: as ordered, and taken in. over: beyond the order, put to receiving. damaged, wrong: put to
    inspection. short: on the delivery note and not in the parcel. measured: the sample's readings as they
    were keyed; rejected: the sample failed, so what came went to inspection (`good` is 0 then). price: of
    one pack, as it was really paid; None where nobody keyed it.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    receipt = models.ForeignKey(Receipt, on_delete=models.CASCADE, related_name="lines")
    line = models.ForeignKey(PurchaseLine, on_delete=models.PROTECT, related_name="receipt_lines")
    good = models.PositiveIntegerField(default=0)
    over = models.PositiveIntegerField(default=0)
    damaged = models.PositiveIntegerField(default=0)
    wrong = models.PositiveIntegerField(default=0)
    wrong_nm = models.BigIntegerField(null=True, blank=True)
    short = models.PositiveIntegerField(default=0)
    rejected = models.PositiveIntegerField(default=0)
    measured = models.JSONField(default=list, blank=True)
    price = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)

    class Meta:
        ordering = ["receipt", "id"]
        constraints = [
            models.UniqueConstraint(fields=["receipt", "line"], name="receipt_line_once_per_line"),
            models.CheckConstraint(condition=Q(good=0) | Q(rejected=0), name="receipt_line_good_or_rejected"),
        ]

    def __str__(self) -> str:
        return f"{self.good} of {self.line}"


class SupplierClaim(models.Model):
    """What a supplier owes for shims of one line of an order that came short, wrong or damaged.

    reason: what somebody found later and claims by hand; empty for what was noted as the delivery was taken
    in. amount: what was credited, in `currency`. supplier_return: the parcel in which the shims went back.
    """

    class Kind(models.TextChoices):
        DAMAGED = "damaged", "Damaged"
        WRONG_SIZE = "wrong_size", "Wrong size"
        SHORT = "short", "Not in the parcel"
        REJECTED = "rejected", "Sample failed"
        OVER = "over", "Beyond the order"
        OTHER = "other", "Something else"

    class State(models.TextChoices):
        OPEN = "open", "Open"
        CREDITED = "credited", "Credited"
        REPLACED = "replaced", "Replaced"
        REFUSED = "refused", "Refused"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="supplier_claims")
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="claims")
    receipt_line = models.ForeignKey(ReceiptLine, on_delete=models.PROTECT, related_name="claims")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    quantity = models.PositiveIntegerField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    amount = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    currency = models.CharField(max_length=3, blank=True)
    reason = models.CharField(max_length=400, blank=True)
    note = models.CharField(max_length=400, blank=True)
    opened_at = models.DateTimeField()
    opened_by = models.CharField(max_length=160)
    settled_at = models.DateTimeField(null=True, blank=True)
    settled_by = models.CharField(max_length=160, blank=True)
    supplier_return = models.ForeignKey(
        SupplierReturn, null=True, blank=True, on_delete=models.PROTECT, related_name="claims"
    )
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-opened_at", "-id"]
        indexes = [models.Index(fields=["site", "-opened_at"], name="supplier_claim_latest")]
        constraints = [
            # A delivery that is booked twice would claim twice.
            models.UniqueConstraint(
                fields=["receipt_line", "kind"], condition=Q(reason=""), name="supplier_claim_once_per_kind"
            ),
            models.CheckConstraint(
                condition=Q(state="open", settled_at=None) | (~Q(state="open") & Q(settled_at__isnull=False)),
                name="supplier_claim_open_or_settled",
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=1) & (Q(amount=None) | Q(amount__gte=0)),
                name="supplier_claim_of_something",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.quantity}"
