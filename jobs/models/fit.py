from django.db import models
from django.db.models import Q

from inventory.models import Condition, Movement

from .job import JobValve
from .plan import Plan


class Fit(models.Model):
    """What really went into a valve, and what came out; with a reason where it differs from the plan.

    `round` is the number of the fit, from 1: the readings after it are of the same round. `fitted_from` is
    where the shim came from: "bin:B07", "valve:2-IN-L" or "tray". `predicted_nm` is the clearance that should
    be called with what really went in; null where the valve had not been read.
    """

    id = models.BigAutoField(primary_key=True)
    valve = models.ForeignKey(JobValve, on_delete=models.CASCADE, related_name="fits")
    plan = models.ForeignKey(Plan, null=True, on_delete=models.PROTECT, related_name="fits")
    round = models.PositiveSmallIntegerField()
    planned_nm = models.BigIntegerField(null=True)
    fitted_nm = models.BigIntegerField()
    fitted_condition = models.CharField(max_length=12, choices=Condition.choices)
    fitted_from = models.CharField(max_length=60)
    removed_nm = models.BigIntegerField(null=True)
    removed_condition = models.CharField(max_length=12, choices=Condition.choices, blank=True)
    predicted_nm = models.BigIntegerField(null=True)
    differs = models.BooleanField(default=False)
    reason = models.CharField(max_length=400, blank=True)
    movement = models.ForeignKey(Movement, on_delete=models.PROTECT, related_name="fits")
    at = models.DateTimeField()
    by = models.CharField(max_length=160)

    class Meta:
        ordering = ["valve", "round"]
        constraints = [
            models.UniqueConstraint(fields=["valve", "round"], name="one_fit_per_valve_and_round"),
            models.CheckConstraint(
                condition=Q(differs=False) | ~Q(reason=""), name="fit_that_differs_has_a_reason"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.valve}: {self.fitted_nm} nm"
