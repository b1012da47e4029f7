"""A plan over the stock as it was; accepted once its shims are held."""

from django.db import models
from django.db.models import Q

from inventory.models import Condition, Hold, Place
from shop.ids import new_id

from .job import Job


class Plan(models.Model):
    """What to do with every valve, with the score by which plans are ranked. `round` is the job's when it
    was made: a plan of round n is for fit n + 1."""

    class State(models.TextChoices):
        PROPOSED = "proposed", "Proposed"
        ACCEPTED = "accepted", "Accepted"
        STALE = "stale", "Out of date"
        DONE = "done", "Fitted"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="plans")
    number = models.PositiveIntegerField()
    round = models.PositiveSmallIntegerField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.PROPOSED)
    unresolved = models.PositiveIntegerField()
    bought = models.PositiveIntegerField()
    not_guaranteed = models.PositiveIntegerField()
    opened = models.PositiveIntegerField()
    stock_cost = models.PositiveIntegerField()
    deviation_nm = models.BigIntegerField()
    # Of a plan that is one job's part of a plan for the whole shop: what it takes of what is on order.
    awaited = models.PositiveIntegerField(default=0)
    shop_plan = models.ForeignKey(
        "jobs.ShopPlan", null=True, blank=True, on_delete=models.PROTECT, related_name="plans"
    )
    # The hold that accepting made; where nothing was lacking, one of those that stood for the job before. The
    # plan may rest on several: `shims_for` (jobs.selectors.own_holds) says which; nothing asks only this one.
    hold = models.ForeignKey(Hold, null=True, blank=True, on_delete=models.PROTECT, related_name="plans")
    stale_because = models.CharField(max_length=200, blank=True)
    # The name of the wish that it is the best plan for (jobs.compute.alternatives), and what one more shim in
    # the drawer would have changed when it was made, in sentences.
    wish = models.CharField(max_length=24, default="usual", db_default="usual")
    worth_having = models.JSONField(default=list, db_default=models.Value([], models.JSONField()), blank=True)
    created_at = models.DateTimeField()
    created_by = models.CharField(max_length=160)

    class Meta:
        ordering = ["job", "-number"]
        constraints = [
            models.UniqueConstraint(fields=["job", "number"], name="plan_number_once_per_job"),
            models.UniqueConstraint(
                fields=["job"], condition=Q(state="accepted"), name="one_accepted_plan_per_job"
            ),
        ]

    def __str__(self) -> str:
        return f"Plan {self.number} of {self.job}"


class PlanLine(models.Model):
    """What the plan says of one valve; the fields are those of `jobs.compute.planner.types.Choice`, or of
    `shopplan.types.ShopChoice`: then `from_job` is whose valve or tray the shim comes out of, null for the
    job's own."""

    id = models.BigAutoField(primary_key=True)
    plan = models.ForeignKey(Plan, on_delete=models.CASCADE, related_name="lines")
    order = models.PositiveSmallIntegerField()
    label = models.CharField(max_length=40)
    # Empty for a valve that is never to be opened and was not read.
    verdict = models.CharField(max_length=8, blank=True)
    action = models.CharField(max_length=10)
    thickness_nm = models.BigIntegerField(null=True)
    condition = models.CharField(max_length=12, choices=Condition.choices, blank=True)
    from_valve = models.CharField(max_length=40, blank=True)
    from_job = models.ForeignKey(Job, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    from_place = models.ForeignKey(Place, null=True, on_delete=models.PROTECT, related_name="+")
    own_nm = models.BigIntegerField(null=True)
    low_nm = models.BigIntegerField(null=True)
    called_nm = models.BigIntegerField(null=True)
    high_nm = models.BigIntegerField(null=True)
    guaranteed = models.BooleanField(null=True)
    left_over = models.BooleanField(default=False)
    why = models.CharField(max_length=400)
    # What stood against the nearest shim that would have been closer to the aim; empty where there was none.
    why_not = models.CharField(max_length=200, default="", db_default="", blank=True)

    class Meta:
        ordering = ["plan", "order"]
        constraints = [models.UniqueConstraint(fields=["plan", "label"], name="planline_once_per_valve")]

    def __str__(self) -> str:
        return f"{self.label}: {self.action}"

    @property
    def from_shop(self) -> bool:
        """Whether the shim comes from outside the engine: a bin, a supplier, a tray or another engine."""
        return self.action in ("stock", "buy", "order", "tray") or self.handed_over

    @property
    def handed_over(self) -> bool:
        """Whether the shim comes from another job."""
        return self.from_job_id is not None

    @property
    def bin(self) -> Place:
        """The bin that the shim lies in. Raises ValueError for a line that takes none from stock."""
        if self.from_place is None:
            raise ValueError(f"the plan takes nothing from stock for {self.label}")
        return self.from_place

    @property
    def gets_nm(self) -> int:
        """The thickness of the shim that the plan gives the valve. Raises ValueError where it gives none."""
        if self.thickness_nm is None:
            raise ValueError(f"the plan gives {self.label} no shim")
        return self.thickness_nm
