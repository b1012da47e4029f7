from django.db import models

from shop.ids import new_id
from shop.models import Site

from .engine import EngineType


class Vehicle(models.Model):
    """A customer's vehicle as one site knows it; its history is its jobs."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="vehicles")
    registration = models.CharField(max_length=20)
    description = models.CharField(max_length=120)
    # Null: an engine that is in no list; the spec is keyed with each of its jobs.
    engine_type = models.ForeignKey(
        EngineType, null=True, blank=True, on_delete=models.PROTECT, related_name="vehicles"
    )
    note = models.CharField(max_length=400, blank=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["registration"]
        constraints = [
            models.UniqueConstraint(fields=["site", "registration"], name="registration_once_per_site"),
        ]

    def __str__(self) -> str:
        return f"{self.registration} {self.description}"
