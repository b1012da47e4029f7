"""What somebody is to be told of before it hurts: sizes that run low, holds that run out."""

from django.db import models
from django.db.models import Q

from shop.ids import new_id
from shop.models import Site

from .catalogue import ShimFamily
from .hold import Hold


class StockMinimum(models.Model):
    """How many shims of one size a site wants to have available; 0: it does not matter.

    `low_since` is set while there are fewer, so that it is told once and not at every look.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="minimums")
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="minimums")
    thickness_nm = models.BigIntegerField()
    minimum = models.PositiveIntegerField()
    low_since = models.DateTimeField(null=True, blank=True)
    changed_at = models.DateTimeField()
    changed_by = models.CharField(max_length=160)

    class Meta:
        ordering = ["site", "family", "thickness_nm"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "family", "thickness_nm"], name="one_minimum_per_site_and_size"
            ),
            models.CheckConstraint(condition=Q(minimum__lte=100_000), name="minimum_in_bounds"),
        ]

    def __str__(self) -> str:
        return f"At least {self.minimum} × {self.thickness_nm} nm"


class HoldWarning(models.Model):
    """The hold was told to run out at `expires_at`; extended since, it is told anew."""

    hold = models.OneToOneField(Hold, primary_key=True, on_delete=models.CASCADE, related_name="warning")
    expires_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.hold_id}: {self.expires_at:%Y-%m-%d %H:%M}"
