"""What happened to a bin itself: added, moved, merged, split, retired.

What went through it stands in the ledger.
"""

from django.conf import settings
from django.db import models
from django.db.models import Q

from .ledger import Movement
from .place import Place


class PlaceEvent(models.Model):
    """One act on a bin, in the words of the act; only ever added."""

    class Act(models.TextChoices):
        ADD = "add", "Added"
        EDIT = "edit", "Changed"
        RELOCATE = "relocate", "Relocated"
        MERGE = "merge", "Merged"
        SPLIT = "split", "Split"
        RETIRE = "retire", "Retired"
        RESTORE = "restore", "Brought back into use"

    id = models.BigAutoField(primary_key=True)
    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="events")
    act = models.CharField(max_length=12, choices=Act.choices)
    at = models.DateTimeField()
    by = models.CharField(max_length=160)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    text = models.CharField(max_length=400)
    # The other bin of a merge or split, and the movement that took the shims over.
    other = models.ForeignKey(Place, null=True, on_delete=models.PROTECT, related_name="+")
    movement = models.ForeignKey(Movement, null=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["place", "id"]
        constraints = [
            models.CheckConstraint(condition=~Q(by=""), name="placeevent_names_its_actor"),
        ]

    def __str__(self) -> str:
        return self.text
