"""Who took a hold over from whom, and why."""

from django.db import models
from django.db.models import Q

from .hold import Hold


class HoldTakeOver(models.Model):
    """A hold that was ended for the sake of another; what was not taken went on under a third."""

    id = models.BigAutoField(primary_key=True)
    hold = models.OneToOneField(Hold, on_delete=models.PROTECT, related_name="taken_over")
    taken = models.OneToOneField(Hold, on_delete=models.PROTECT, related_name="took_over")
    rest = models.OneToOneField(Hold, null=True, on_delete=models.PROTECT, related_name="rest_of")
    reason = models.CharField(max_length=400)
    at = models.DateTimeField()
    by = models.CharField(max_length=160)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="take_over_says_why"),
        ]

    def __str__(self) -> str:
        return f"{self.hold} taken over: {self.reason}"
