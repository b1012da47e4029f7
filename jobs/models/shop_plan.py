"""One plan for all open engines of a site: made in the background, a proposal until somebody accepts it."""

from django.db import models
from django.db.models import Q

from shop.ids import new_id
from shop.models import Site, Task

from .job import Job


class ShopPlan(models.Model):
    """A plan over the jobs and the stock as they were when it was made.

    problem, places: what it was made from (`jobs.compute.shopplan.as_json`), and where each of its lots lies.
    result: what it does, as `jobs.services.shop_records` writes it; null until it is made. until: when the
    search ends at the latest.
    """

    class State(models.TextChoices):
        MAKING = "making", "Being made"
        PROPOSED = "proposed", "Proposed"
        ACCEPTED = "accepted", "Accepted"
        STALE = "stale", "Out of date"
        FAILED = "failed", "Not made"
        CANCELLED = "cancelled", "Cancelled"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="shop_plans")
    number = models.PositiveIntegerField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.MAKING)
    move_accepted = models.BooleanField(default=False)
    task = models.ForeignKey(Task, null=True, on_delete=models.SET_NULL, related_name="+")
    problem = models.JSONField(null=True)
    places = models.JSONField(default=dict)
    result = models.JSONField(null=True)
    until = models.DateTimeField(null=True)
    stale_because = models.CharField(max_length=1_000, blank=True)
    created_at = models.DateTimeField()
    created_by = models.CharField(max_length=160)
    accepted_at = models.DateTimeField(null=True)
    accepted_by = models.CharField(max_length=160, blank=True)

    class Meta:
        ordering = ["-number"]
        indexes = [models.Index(fields=["site", "state"], name="shop_plan_by_state")]
        constraints = [
            models.UniqueConstraint(fields=["site", "number"], name="shop_plan_number_once_per_site"),
        ]

    def __str__(self) -> str:
        return f"Shop plan {self.number}"


class ShopPlanJob(models.Model):
    """A job that a shop plan has something to say of: whoever changes it makes the plan stale."""

    id = models.BigAutoField(primary_key=True)
    shop_plan = models.ForeignKey(ShopPlan, on_delete=models.CASCADE, related_name="jobs")
    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="shop_plans")

    class Meta:
        ordering = ["shop_plan", "id"]
        constraints = [models.UniqueConstraint(fields=["shop_plan", "job"], name="shop_plan_job_once")]

    def __str__(self) -> str:
        return f"{self.job} in {self.shop_plan}"


class ShopPlanPart(models.Model):
    """Jobs that share no shim with others, solved on their own; `result` once that is done."""

    id = models.BigAutoField(primary_key=True)
    shop_plan = models.ForeignKey(ShopPlan, on_delete=models.CASCADE, related_name="parts")
    key = models.CharField(max_length=60)
    task = models.ForeignKey(Task, null=True, on_delete=models.SET_NULL, related_name="+")
    result = models.JSONField(null=True)

    class Meta:
        ordering = ["shop_plan", "id"]
        constraints = [models.UniqueConstraint(fields=["shop_plan", "key"], name="shop_plan_part_once")]

    def __str__(self) -> str:
        return f"{self.shop_plan}, {self.key}"


LIVE = ("promised", "handed_over")


class HandOver(models.Model):
    """A shim of one job that is promised to another: held like stock, from its valve or tray to the other's
    tray.

    While the shim is in the giver's engine the promise is this row alone, and the database lets one such
    shim be promised once. As soon as it lies in a tray, `hold` is what holds it there for the taker.
    from_label: the valve it comes out of, "" for one that lies in the giver's tray. from_round: the giver's
    round then, so that one knows whether it was fitted since. out: taken out of the giver's engine by the
    hand-over itself, not by its fit: that valve is empty until the giver is fitted.
    """

    class State(models.TextChoices):
        PROMISED = "promised", "To be handed over"
        HANDED_OVER = "handed_over", "Handed over"
        FITTED = "fitted", "Fitted"
        RELEASED = "released", "Released"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    plan = models.ForeignKey("jobs.Plan", on_delete=models.CASCADE, related_name="hand_overs")
    state = models.CharField(max_length=12, choices=State.choices, default=State.PROMISED)
    from_job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="gives")
    from_label = models.CharField(max_length=40, blank=True)
    from_round = models.PositiveSmallIntegerField()
    to_job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="gets")
    to_label = models.CharField(max_length=40)
    thickness_nm = models.BigIntegerField()
    condition = models.CharField(max_length=12)
    hold = models.ForeignKey(
        "inventory.Hold", null=True, blank=True, on_delete=models.PROTECT, related_name="hand_overs"
    )
    out = models.BooleanField(default=False)
    promised_at = models.DateTimeField()
    promised_by = models.CharField(max_length=160)
    handed_over_at = models.DateTimeField(null=True)
    handed_over_by = models.CharField(max_length=160, blank=True)
    ended_because = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["promised_at", "id"]
        constraints = [
            # Two plans accepted at once: one shim of one engine goes to one of them.
            models.UniqueConstraint(
                fields=["from_job", "from_label", "from_round"],
                condition=~Q(from_label="") & ~Q(state="released"),
                name="one_taker_per_shim",
            ),
            models.UniqueConstraint(
                fields=["plan", "to_label"], condition=~Q(state="released"), name="one_hand_over_per_valve"
            ),
        ]
        indexes = [models.Index(fields=["state"], name="hand_over_by_state")]

    def __str__(self) -> str:
        return f"{self.from_label or 'tray'} of {self.from_job} to {self.to_label} of {self.to_job}"

    @property
    def is_live(self) -> bool:
        return self.state in LIVE
