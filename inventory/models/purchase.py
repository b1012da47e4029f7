"""What has to be bought: needs of jobs, gathered into one list per supplier."""

from django.db import models
from django.db.models import F, Q

from shop.ids import new_id
from shop.models import Site

from .catalogue import ShimFamily
from .supplier import Supplier


class PurchaseList(models.Model):
    """What is bought from one supplier in one go."""

    class State(models.TextChoices):
        BOUGHT = "bought", "Bought, on its way"
        RECEIVED = "received", "Received"
        CANCELLED = "cancelled", "Cancelled"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="purchase_lists")
    number = models.PositiveIntegerField()
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="purchase_lists")
    state = models.CharField(max_length=12, choices=State.choices, default=State.BOUGHT)
    created_at = models.DateTimeField()
    created_by = models.CharField(max_length=160)
    closed_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.UniqueConstraint(fields=["site", "number"], name="purchase_list_number_once_per_site"),
        ]

    def __str__(self) -> str:
        return f"Purchase list {self.number}"


class PurchaseLine(models.Model):
    """A size and how many of it; `received` counts what has come so far."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    purchase_list = models.ForeignKey(PurchaseList, on_delete=models.CASCADE, related_name="lines")
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="+")
    thickness_nm = models.BigIntegerField()
    quantity = models.PositiveIntegerField()
    received = models.PositiveIntegerField(default=0)
    price = models.DecimalField(max_digits=12, decimal_places=4, null=True)
    currency = models.CharField(max_length=3, blank=True)

    class Meta:
        ordering = ["purchase_list", "family", "thickness_nm"]
        constraints = [
            models.UniqueConstraint(
                fields=["purchase_list", "family", "thickness_nm"], name="purchase_line_once_per_size"
            ),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, received__lte=F("quantity")),
                name="purchase_line_received_within",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} × {self.thickness_nm} nm"


class Need(models.Model):
    """One shim that a job lacks. The job is known here only by its id and its number in words."""

    class State(models.TextChoices):
        OPEN = "open", "To buy"
        BOUGHT = "bought", "Bought, on its way"
        MET = "met", "Here"
        CANCELLED = "cancelled", "No longer needed"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="needs")
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="+")
    thickness_nm = models.BigIntegerField()
    job_id = models.UUIDField()
    job_label = models.CharField(max_length=80)
    valve_label = models.CharField(max_length=40)
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
