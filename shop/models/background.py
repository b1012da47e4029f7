"""Work for later, as rows: written in the transaction that caused it, so that neither is there alone."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from shop.ids import new_id

from .people import Site


class Task(models.Model):
    """One piece of background work. Its lease and fence say who may finish it (shop/background/claims.py)."""

    class State(models.TextChoices):
        QUEUED = "queued", "Waiting"
        RUNNING = "running", "Running"
        DONE = "done", "Done"
        FAILED = "failed", "Failed"
        CANCELLED = "cancelled", "Cancelled"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    kind = models.CharField(max_length=60)
    payload = models.JSONField(default=dict)
    state = models.CharField(max_length=10, choices=State.choices, default=State.QUEUED)
    progress = models.PositiveSmallIntegerField(default=0)
    message = models.CharField(max_length=200, blank=True)
    site = models.ForeignKey(Site, null=True, on_delete=models.PROTECT, related_name="tasks")
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL, related_name="tasks"
    )
    created_at = models.DateTimeField()
    run_after = models.DateTimeField()
    lease_until = models.DateTimeField(null=True)
    # Counts the claims. Whoever finishes must name the number under which they claimed, so that one who was
    # believed dead and wakes up again changes nothing.
    fence = models.PositiveIntegerField(default=0)
    # Tries that ended in an error, and tries of which nothing was heard again.
    attempts = models.PositiveSmallIntegerField(default=0)
    lost = models.PositiveSmallIntegerField(default=0)
    published_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)
    result = models.JSONField(null=True)
    error = models.TextField(blank=True)
    # NULL, not "": only tasks that name a key are unique by it.
    dedupe_key = models.CharField(max_length=200, null=True, unique=True)  # noqa: DJ001

    class Meta:
        ordering = ["-created_at", "-id"]
        indexes = [
            # What is due, oldest first: asked every second by the loop that works the rows.
            models.Index(fields=["run_after", "id"], name="task_due", condition=Q(state="queued")),
            # Whose lease ran out: asked by the sweep.
            models.Index(fields=["lease_until"], name="task_leased", condition=Q(state="running")),
            models.Index(fields=["site", "-created_at"], name="task_by_site"),
            # What the purge may remove.
            models.Index(
                fields=["finished_at"], name="task_finished", condition=Q(finished_at__isnull=False)
            ),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["queued", "running", "done", "failed", "cancelled"]),
                name="task_state_known",
            ),
            models.CheckConstraint(condition=Q(progress__lte=100), name="task_progress_at_most_100"),
            models.CheckConstraint(
                condition=Q(state="running", lease_until__isnull=False)
                | (~Q(state="running") & Q(lease_until__isnull=True)),
                name="task_leased_while_running",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["done", "failed", "cancelled"], finished_at__isnull=False)
                | Q(state__in=["queued", "running"], finished_at__isnull=True),
                name="task_finished_at_its_end",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind}: {self.get_state_display()}"

    @property
    def is_over(self) -> bool:
        return self.state in {self.State.DONE, self.State.FAILED, self.State.CANCELLED}


class OutboxEvent(models.Model):
    """Something that happened and that others are to hear of; handed on once, as tasks for its receivers."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    kind = models.CharField(max_length=60)
    site = models.ForeignKey(Site, null=True, on_delete=models.PROTECT, related_name="events")
    payload = models.JSONField(default=dict)
    created_at = models.DateTimeField()
    delivered_at = models.DateTimeField(null=True)
    attempts = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["created_at", "id"]
        indexes = [
            models.Index(fields=["created_at", "id"], name="event_waiting", condition=Q(delivered_at=None)),
            models.Index(fields=["site", "-created_at"], name="event_by_site"),
        ]

    def __str__(self) -> str:
        return self.kind


class PeriodicSlot(models.Model):
    """One turn of a periodic job. Its uniqueness is what makes two schedulers start the job once."""

    id = models.BigAutoField(primary_key=True)
    name = models.CharField(max_length=60)
    starts_at = models.DateTimeField()
    task = models.ForeignKey(Task, on_delete=models.CASCADE, related_name="slots")

    class Meta:
        ordering = ["-starts_at"]
        constraints = [models.UniqueConstraint(fields=["name", "starts_at"], name="periodic_slot_once")]

    def __str__(self) -> str:
        return f"{self.name} at {self.starts_at:%Y-%m-%d %H:%M:%S}"
