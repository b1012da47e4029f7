"""What has to be bought: needs of jobs, gathered into one list per supplier."""

import uuid
from decimal import Decimal
from typing import Any

from django.db import models
from django.db.models import F, Q

from shop.ids import new_id
from shop.models import Site, Task

from .catalogue import ShimFamily
from .supplier import Supplier


class PurchaseChoice(models.Model):
    """One time that the choice of what to buy where was made for a site. `result`: its figures and sentences
    as `inventory.services.choosing` writes them; empty until then."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="purchase_choices")
    task = models.ForeignKey(Task, null=True, on_delete=models.SET_NULL, related_name="+")
    asked_at = models.DateTimeField()
    asked_by = models.CharField(max_length=160)
    made_at = models.DateTimeField(null=True)
    message = models.CharField(max_length=400, blank=True)
    result = models.JSONField(default=dict)

    class Meta:
        ordering = ["-asked_at", "-id"]
        indexes = [models.Index(fields=["site", "-asked_at"], name="purchase_choice_latest")]

    def __str__(self) -> str:
        return f"Choice of {self.asked_at:%Y-%m-%d %H:%M}"

    @property
    def outcome(self) -> dict[str, Any] | None:
        """The result; None until there is one."""
        return self.result or None

    @property
    def list_ids(self) -> list[uuid.UUID]:
        """The lists that were written for it and not for a later one."""
        return [found.pk for found in self.lists.all()]


class PurchaseList(models.Model):
    """What is bought from one supplier in one go: an order, from its draft to its last delivery.

    delivery: the fee that is reckoned with. reference: what the supplier calls the order. sent_times: how
    often it was sent; all are the same order.
    """

    class State(models.TextChoices):
        DRAFT = "draft", "Draft"
        APPROVED = "approved", "Approved"
        BOUGHT = "bought", "Bought, on its way"
        PARTLY = "partly", "Partly received"
        RECEIVED = "received", "Received"
        CLOSED = "closed", "Closed, rest called off"
        CANCELLED = "cancelled", "Cancelled"

    ON_THE_WAY = (State.BOUGHT, State.PARTLY)
    OPEN = (State.DRAFT, State.APPROVED, *ON_THE_WAY)

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="purchase_lists")
    number = models.PositiveIntegerField()
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="purchase_lists")
    state = models.CharField(max_length=12, choices=State.choices, default=State.BOUGHT)
    created_at = models.DateTimeField()
    created_by = models.CharField(max_length=160)
    closed_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)
    choice = models.ForeignKey(
        PurchaseChoice, null=True, blank=True, on_delete=models.PROTECT, related_name="lists"
    )
    currency = models.CharField(max_length=3, blank=True)
    delivery = models.DecimalField(max_digits=12, decimal_places=4, default=Decimal(0))
    expected_at = models.DateTimeField(null=True, blank=True)
    approved_at = models.DateTimeField(null=True, blank=True)
    approved_by = models.CharField(max_length=160, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    sent_by = models.CharField(max_length=160, blank=True)
    sent_to = models.EmailField(blank=True)
    sent_times = models.PositiveSmallIntegerField(default=0)
    reference = models.CharField(max_length=60, blank=True)

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.UniqueConstraint(fields=["site", "number"], name="purchase_list_number_once_per_site"),
            # Two choices at once would each make a draft for the same supplier.
            models.UniqueConstraint(
                fields=["site", "supplier"], condition=Q(state="draft"), name="one_draft_per_supplier"
            ),
        ]

    def __str__(self) -> str:
        return f"Purchase list {self.number}"


class PurchaseLine(models.Model):
    """A size and how many of it; `received` counts what has come so far.

    quantity, received: shims. price: of one pack; `amount`: of the whole line, breaks included, rounded to
    the currency's minor unit, None where it has no price. why: why it is bought here.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    purchase_list = models.ForeignKey(PurchaseList, on_delete=models.CASCADE, related_name="lines")
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="+")
    thickness_nm = models.BigIntegerField()
    quantity = models.PositiveIntegerField()
    received = models.PositiveIntegerField(default=0)
    price = models.DecimalField(max_digits=12, decimal_places=4, null=True)
    currency = models.CharField(max_length=3, blank=True)
    part_number = models.CharField(max_length=40, blank=True)
    pack = models.PositiveIntegerField(default=1)
    amount = models.DecimalField(max_digits=14, decimal_places=4, null=True)
    locked = models.BooleanField(default=False)
    why = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["purchase_list", "family", "thickness_nm", "part_number"]
        constraints = [
            models.UniqueConstraint(
                fields=["purchase_list", "family", "thickness_nm", "part_number"],
                name="purchase_line_once_per_size",
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, received__lte=F("quantity")),
                name="purchase_line_received_within",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} × {self.thickness_nm} nm"

    @property
    def packs(self) -> int:
        return self.quantity // self.pack


class PurchaseEvent(models.Model):
    """What somebody did to a list, in words; only ever added."""

    id = models.BigAutoField(primary_key=True)
    purchase_list = models.ForeignKey(PurchaseList, on_delete=models.CASCADE, related_name="events")
    act = models.CharField(max_length=20)
    at = models.DateTimeField()
    by = models.CharField(max_length=160)
    text = models.CharField(max_length=400)

    class Meta:
        ordering = ["purchase_list", "id"]

    def __str__(self) -> str:
        return self.text


class Need(models.Model):
    """One shim that a job lacks, or that somebody wants in stock. The job is known here only by its id and
    its number in words; a need without a job has neither.

    would_do_nm: every thickness that would do, ascending; empty where only `thickness_nm` does. window:
    whether those are of the guaranteed window, of the called one, or the one that was asked for. A need that
    stands on a draft is open and has a line.
    """

    class Origin(models.TextChoices):
        JOB = "job", "A job's plan"
        HAND = "hand", "By hand"
        RESTOCK = "restock", "Restock rule"

    class State(models.TextChoices):
        OPEN = "open", "To buy"
        BOUGHT = "bought", "Bought, on its way"
        MET = "met", "Here"
        CANCELLED = "cancelled", "No longer needed"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="needs")
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="+")
    thickness_nm = models.BigIntegerField()
    origin = models.CharField(max_length=8, choices=Origin.choices, default=Origin.JOB)
    job_id = models.UUIDField(null=True, blank=True)
    job_label = models.CharField(max_length=80, blank=True)
    valve_label = models.CharField(max_length=40, blank=True)
    would_do_nm = models.JSONField(default=list, blank=True)
    window = models.CharField(max_length=10, default="exact")
    note = models.CharField(max_length=120, blank=True)
    needed_by = models.DateTimeField(null=True, blank=True)
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    line = models.ForeignKey(
        PurchaseLine, null=True, blank=True, on_delete=models.PROTECT, related_name="needs"
    )
    created_at = models.DateTimeField()

    class Meta:
        ordering = ["family", "thickness_nm", "needed_by", "id"]
        indexes = [
            models.Index(fields=["site", "state"], name="need_by_state"),
            models.Index(fields=["job_id"], name="need_by_job"),
        ]

    def __str__(self) -> str:
        return f"{self.thickness_nm} nm for {self.job_label}"
