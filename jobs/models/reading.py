"""What was keyed in. Rows are only added: a correction is a new row, the last one counts."""

from django.db import models
from django.db.models import F, Q

from shop.ids import new_id

from .job import JobValve


class ClearanceReading(models.Model):
    """A feeler reading: `passes` the thickest leaf that goes through, `stops` the thinnest that does not.

    `round` is the number of fits done on the job when it was taken.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    valve = models.ForeignKey(JobValve, on_delete=models.CASCADE, related_name="clearances")
    round = models.PositiveSmallIntegerField()
    sequence = models.PositiveIntegerField()
    passes_nm = models.BigIntegerField()
    passes_keyed = models.CharField(max_length=32)
    stops_nm = models.BigIntegerField()
    stops_keyed = models.CharField(max_length=32)
    stops_given = models.BooleanField(default=False)
    at = models.DateTimeField()
    by = models.CharField(max_length=160)

    class Meta:
        ordering = ["valve", "sequence"]
        constraints = [
            models.UniqueConstraint(fields=["valve", "sequence"], name="clearance_sequence_once"),
            models.CheckConstraint(
                condition=Q(passes_nm__gte=0, stops_nm__gt=F("passes_nm")),
                name="clearance_stops_above_passes",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.passes_keyed} passes, {self.stops_keyed} stops"


class ShimReading(models.Model):
    """The thickness of the shim found in a valve, by micrometer or by its marking."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    valve = models.ForeignKey(JobValve, on_delete=models.CASCADE, related_name="shim_readings")
    round = models.PositiveSmallIntegerField()
    sequence = models.PositiveIntegerField()
    thickness_nm = models.BigIntegerField()
    thickness_keyed = models.CharField(max_length=32)
    known_by = models.CharField(max_length=8, choices=JobValve.KnownBy.choices)
    at = models.DateTimeField()
    by = models.CharField(max_length=160)

    class Meta:
        ordering = ["valve", "sequence"]
        constraints = [
            models.UniqueConstraint(fields=["valve", "sequence"], name="shim_reading_sequence_once"),
        ]

    def __str__(self) -> str:
        return f"{self.thickness_keyed} {self.known_by}"
