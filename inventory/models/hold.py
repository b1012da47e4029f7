"""Stock promised to a job or to an outside reference: held, then fitted, released or expired."""

from typing import TYPE_CHECKING

from django.db import models
from django.db.models import F, Q

from shop.ids import new_id
from shop.models import Site

from .catalogue import ShimFamily
from .ledger import Condition
from .place import Place

if TYPE_CHECKING:
    from .take_over import HoldTakeOver


class Hold(models.Model):
    """A promise that resolves exactly once. A trigger keeps its final states final."""

    class State(models.TextChoices):
        HELD = "held", "Held"
        FITTED = "fitted", "Fitted"
        RELEASED = "released", "Released"
        EXPIRED = "expired", "Expired"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="holds")
    state = models.CharField(max_length=10, choices=State.choices, default=State.HELD)
    job_id = models.UUIDField(null=True, blank=True)
    reference = models.CharField(max_length=80)
    created_at = models.DateTimeField()
    created_by = models.CharField(max_length=160)
    expires_at = models.DateTimeField(null=True, blank=True)
    handed_out_at = models.DateTimeField(null=True, blank=True)
    resolved_at = models.DateTimeField(null=True, blank=True)
    resolved_by = models.CharField(max_length=160, blank=True)
    note = models.CharField(max_length=400, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["-created_at", "id"]
        indexes = [
            models.Index(fields=["site", "expires_at"], name="hold_due", condition=Q(state="held")),
            models.Index(fields=["job_id"], name="hold_by_job", condition=Q(job_id__isnull=False)),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(state="held", resolved_at__isnull=True)
                | (~Q(state="held") & Q(resolved_at__isnull=False)),
                name="hold_resolved_when_not_held",
            ),
        ]

    def __str__(self) -> str:
        return f"Hold for {self.reference}"

    @property
    def take_over(self) -> "HoldTakeOver | None":
        """Who took the shims for somebody else; None where nobody did, as while the hold stands."""
        return None if self.state == self.State.HELD else getattr(self, "taken_over", None)


class HoldLine(models.Model):
    """So many shims of one balance. After handing out, `place` is the tray and `taken_from` the bin."""

    id = models.BigAutoField(primary_key=True)
    hold = models.ForeignKey(Hold, on_delete=models.CASCADE, related_name="lines")
    position = models.PositiveSmallIntegerField()
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="hold_lines")
    taken_from = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="+")
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="+")
    thickness_nm = models.BigIntegerField()
    condition = models.CharField(max_length=12, choices=Condition.choices)
    quantity = models.PositiveIntegerField()
    fitted = models.PositiveIntegerField(default=0)
    label = models.CharField(max_length=40, blank=True)

    class Meta:
        # By the id: by "hold" Django would join the hold and order by how holds are ordered.
        ordering = ["hold_id", "position"]
        constraints = [
            models.UniqueConstraint(fields=["hold", "position"], name="holdline_position_once"),
            models.CheckConstraint(
                condition=Q(quantity__gte=1, fitted__lte=F("quantity")),
                name="holdline_fitted_within_quantity",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} × {self.thickness_nm} nm"
