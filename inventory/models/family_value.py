from django.db import models
from django.db.models import Q

from .catalogue import ShimFamily


class FamilyValue(models.Model):
    """What one new shim of a family is worth to the shop where no offer says it."""

    family = models.OneToOneField(
        ShimFamily, primary_key=True, on_delete=models.CASCADE, related_name="value"
    )
    unit_value = models.DecimalField(max_digits=12, decimal_places=4)
    currency = models.CharField(max_length=3)
    at = models.DateTimeField()
    by = models.CharField(max_length=160)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(unit_value__gte=0), name="family_value_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.family}: {self.unit_value} {self.currency}"
