"""Who outside is told of what happens here, and how far the telling is."""

from django.db import models
from django.db.models import Q

from shop.ids import new_id

from .people import Site


class WebhookEndpoint(models.Model):
    """An address that hears of a site's events.

    The last three fields are the sender's own: until when one worker has the line, until when the receiver is
    left alone after a failure, and how many failures there were in a row.
    """

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="webhooks")
    url = models.CharField(max_length=400)
    kinds = models.JSONField(default=list)
    note = models.CharField(max_length=200, blank=True)
    created_at = models.DateTimeField()
    created_by = models.CharField(max_length=160)
    disabled_at = models.DateTimeField(null=True, blank=True)
    disabled_because = models.CharField(max_length=200, blank=True)
    busy_until = models.DateTimeField(null=True, blank=True)
    rest_until = models.DateTimeField(null=True, blank=True)
    failures = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["-created_at", "-id"]
        indexes = [models.Index(fields=["site", "-created_at"], name="webhook_by_site")]

    def __str__(self) -> str:
        return self.url


class WebhookSecret(models.Model):
    """What an endpoint's messages are signed with, sealed (shop/sealing.py). All that have not ended sign."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    endpoint = models.ForeignKey(WebhookEndpoint, on_delete=models.CASCADE, related_name="secrets")
    sealed = models.BinaryField()
    created_at = models.DateTimeField()
    # Set once another has taken its place: until then receivers may still hold it.
    ends_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["endpoint", "-created_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["endpoint"], condition=Q(ends_at=None), name="one_current_secret_per_webhook"
            ),
        ]

    def __str__(self) -> str:
        return f"Secret of {self.endpoint_id}"


class WebhookDelivery(models.Model):
    """One event for one endpoint. `event_id` is the message's id, the same at each attempt and replay; `body`
    is what is signed and sent, to the byte."""

    class State(models.TextChoices):
        WAITING = "waiting", "Waiting"
        TAKEN = "taken", "Taken"
        DEAD = "dead", "Given up"

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    endpoint = models.ForeignKey(WebhookEndpoint, on_delete=models.CASCADE, related_name="deliveries")
    event_id = models.UUIDField()
    kind = models.CharField(max_length=60)
    body = models.TextField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    created_at = models.DateTimeField()
    # Attempts since it was made or last replayed.
    attempts = models.PositiveSmallIntegerField(default=0)
    next_attempt_at = models.DateTimeField(null=True, blank=True)
    last_attempt_at = models.DateTimeField(null=True, blank=True)
    last_status = models.PositiveSmallIntegerField(null=True, blank=True)
    last_error = models.CharField(max_length=200, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at", "-id"]
        verbose_name_plural = "webhook deliveries"
        indexes = [
            # What is due for an endpoint: asked before each attempt.
            models.Index(
                fields=["endpoint", "next_attempt_at"], name="delivery_due", condition=Q(state="waiting")
            ),
            models.Index(fields=["endpoint", "-created_at"], name="delivery_by_endpoint"),
            # What the purge may remove.
            models.Index(
                fields=["finished_at"], name="delivery_finished", condition=Q(finished_at__isnull=False)
            ),
        ]
        constraints = [
            models.UniqueConstraint(fields=["endpoint", "event_id"], name="event_once_per_webhook"),
            models.CheckConstraint(
                condition=Q(state="waiting", next_attempt_at__isnull=False, finished_at__isnull=True)
                | Q(state__in=["taken", "dead"], next_attempt_at__isnull=True, finished_at__isnull=False),
                name="delivery_waits_or_is_over",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} to {self.endpoint_id}: {self.get_state_display()}"

    @property
    def site(self) -> Site:
        return self.endpoint.site
