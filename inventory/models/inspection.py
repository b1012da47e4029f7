"""What was found on a recovered shim before it may go back into a bin."""

from django.db import models

from shop.ids import new_id
from shop.models import Site

from .catalogue import ShimFamily
from .ledger import Movement


class Inspection(models.Model):
    """One look at one recovered shim: its face, its marking and its micrometer reading."""

    class Face(models.TextChoices):
        GOOD = "good", "Good"
        MARKED = "marked", "Marked"
        PITTED = "pitted", "Pitted"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="+")
    face = models.CharField(max_length=8, choices=Face.choices)
    marking_legible = models.BooleanField()
    thickness_nm = models.BigIntegerField()
    thickness_keyed = models.CharField(max_length=32)
    at = models.DateTimeField()
    by = models.CharField(max_length=160)
    movement = models.ForeignKey(Movement, null=True, on_delete=models.PROTECT, related_name="inspections")

    class Meta:
        ordering = ["-at", "id"]

    def __str__(self) -> str:
        return f"{self.thickness_keyed}, {self.face}"
