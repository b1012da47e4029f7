"""What was found on a recovered shim before it may go back into a bin."""

from django.db import models
from django.db.models import Q

from shop.ids import new_id
from shop.models import Site

from .catalogue import ShimFamily
from .ledger import Condition, Movement
from .place import Place


class Inspection(models.Model):
    """One look at one recovered shim: its face, its marking and what the micrometer said.

    `thickness_nm` is what the readings come to and what the shim counts at from then on; `readings` are the
    figures as they were keyed, none where the face alone decided, and `spread_nm` lies between them. `fate`
    is what was proposed, with the bin where one had room.

    What it was found as, in `found_nm` and `found_condition`, is missing of old inspections. `taken` is the
    movement that took its shim from the bench, to a bin or to scrap; `looked_again` a later inspection of the
    same shim, which counts instead, and `replaces` the one that it counts instead of: that stays where the
    later one is undone, so that it can be done after all.
    """

    class Face(models.TextChoices):
        GOOD = "good", "Good"
        MARKED = "marked", "Marked"
        PITTED = "pitted", "Pitted"

    class Fate(models.TextChoices):
        BIN = "bin", "Into a bin"
        SCRAP = "scrap", "Scrap"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    family = models.ForeignKey(ShimFamily, on_delete=models.PROTECT, related_name="+")
    face = models.CharField(max_length=8, choices=Face.choices)
    marking_legible = models.BooleanField()
    thickness_nm = models.BigIntegerField()
    thickness_keyed = models.CharField(max_length=32)
    readings = models.JSONField(default=list)
    spread_nm = models.BigIntegerField(null=True, blank=True)
    fate = models.CharField(max_length=8, choices=Fate.choices, blank=True)
    proposed_bin = models.ForeignKey(Place, null=True, on_delete=models.PROTECT, related_name="+")
    why = models.CharField(max_length=400, blank=True)
    at = models.DateTimeField()
    by = models.CharField(max_length=160)
    movement = models.ForeignKey(Movement, null=True, on_delete=models.PROTECT, related_name="inspections")
    found_nm = models.BigIntegerField(null=True, blank=True)
    found_condition = models.CharField(max_length=12, choices=Condition.choices, blank=True)
    taken = models.ForeignKey(Movement, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    looked_again = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    replaces = models.ForeignKey("self", null=True, blank=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-at", "id"]
        indexes = [
            # Those that wait for their outcome: few at any time, of all that were ever made.
            models.Index(
                fields=["site", "at"],
                condition=Q(taken=None, looked_again=None, found_nm__isnull=False),
                name="inspection_waiting",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.thickness_keyed}, {self.face}"
