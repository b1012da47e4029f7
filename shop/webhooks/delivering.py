"""The background tasks of webhooks; loaded at start so that they are registered.

An event leaves the outbox as one task, which makes its deliveries; each receiver then has one line, which one
worker at a time works: what is due, one after another, outside any transaction. A worker that dies leaves the
delivery waiting: it is sent again, under the same id.
"""

import math
import time
import uuid
from datetime import UTC, datetime, timedelta

from django.db.models import Exists, OuterRef, Q

from shop.background.context import TaskContext
from shop.background.registry import periodic, receives, task_handler
from shop.conf import conf
from shop.db import write_transaction
from shop.models import OutboxEvent, WebhookDelivery, WebhookEndpoint
from shop.sealing import UnreadableSeal
from shop.webhooks.deliveries import (
    DELIVER,
    State,
    hand_on,
    line_lease,
    next_due,
    queue_line,
    record_outcome,
)
from shop.webhooks.endpoints import bury_waiting, secrets_in_force, tend_secrets
from shop.webhooks.events import EventKind
from shop.webhooks.sending import Outcome, post
from shop.webhooks.signing import signed_headers
from shop.webhooks.targets import TargetRefused, check_target

HAND_ON = "hand_on_webhooks"
# Then the line is left and taken up again behind whatever else waits for a worker.
MOST_AT_ONCE = 50
LONGEST_AT_ONCE_SECONDS = 30.0
OVERDUE = timedelta(minutes=1)
PURGED_AT_ONCE = 500

for kind in EventKind.values:
    receives(kind, by=HAND_ON)


@task_handler(HAND_ON)
def hand_on_event(task: TaskContext) -> dict[str, int]:
    """Make the deliveries of one event."""
    event = OutboxEvent.objects.select_related("site").filter(pk=task.payload["event_id"]).first()
    made = 0 if event is None else hand_on(event, at=task.now())
    return {"endpoints": made}


@task_handler(DELIVER)
def deliver(task: TaskContext) -> dict[str, int]:
    """Send what is due for one endpoint, until all is sent, one is not taken, or others want their turn."""
    endpoint = take_line(uuid.UUID(task.payload["endpoint"]), at=task.now())
    if endpoint is None:
        return {"sent": 0}
    sent, end = 0, time.monotonic() + LONGEST_AT_ONCE_SECONDS
    while sent < MOST_AT_ONCE and time.monotonic() < end:
        delivery = next_due(endpoint, at=task.now())
        if delivery is None:
            break
        outcome = attempt(endpoint, delivery, at=task.now())
        endpoint = record_outcome(delivery, outcome, at=task.now())
        sent += 1
        if endpoint.rest_until or endpoint.disabled_at:
            break
    leave_line(endpoint, at=task.now())
    return {"sent": sent}


def attempt(endpoint: WebhookEndpoint, delivery: WebhookDelivery, *, at: datetime) -> Outcome:
    """Send one delivery once. What is signed is what is sent, to the byte."""
    try:
        target = check_target(endpoint.url)
        secrets = secrets_in_force(endpoint, at)
    except TargetRefused as refusal:
        return Outcome(error=f"its address {refusal.why}")
    except UnreadableSeal:
        return Outcome(error="its secret cannot be opened with the secret keys that are set: rotate it")
    body = delivery.body.encode()
    return post(target, body, signed_headers(secrets, message_id=str(delivery.event_id), at=at, body=body))


@write_transaction
def take_line(endpoint_id: uuid.UUID, *, at: datetime) -> WebhookEndpoint | None:
    """The endpoint, whose line is now ours; None when another has it or it rests, which is looked at again
    later, and when it is disabled, which gives up what waits for it."""
    free = Q(busy_until=None) | Q(busy_until__lt=at)
    rested = Q(rest_until=None) | Q(rest_until__lte=at)
    endpoints = WebhookEndpoint.objects.filter(pk=endpoint_id)
    taken = endpoints.filter(free, rested, disabled_at=None).update(busy_until=at + line_lease())
    endpoint = endpoints.select_related("site").first()
    if endpoint is None or taken:
        return endpoint
    if endpoint.disabled_at:
        bury_waiting(endpoint, at=at)
        return None
    until = max(filter(None, (endpoint.busy_until, endpoint.rest_until, at)))
    queue_line(endpoint, at=at, when=_rounded_up(until))
    return None


@write_transaction
def leave_line(endpoint: WebhookEndpoint, *, at: datetime) -> None:
    """Let others have the line, and have it looked at when something is due next."""
    mine = WebhookEndpoint.objects.filter(pk=endpoint.pk, busy_until=endpoint.busy_until)
    if not mine.update(busy_until=None):
        return  # it took longer than a line is held: another has it now, and leaves it in order
    waiting = WebhookDelivery.objects.filter(endpoint=endpoint, state=State.WAITING)
    soonest = waiting.order_by("next_attempt_at").values_list("next_attempt_at", flat=True).first()
    if soonest is not None:
        queue_line(endpoint, at=at, when=max(filter(None, (soonest, endpoint.rest_until, at))))


@periodic("resume_webhooks", every=timedelta(minutes=1))
def resume_webhooks(task: TaskContext) -> dict[str, int]:
    """Look again at lines that should have been worked and were not: their task was lost or failed."""
    at = task.now()
    overdue = WebhookDelivery.objects.filter(
        endpoint=OuterRef("pk"), state=State.WAITING, next_attempt_at__lt=at - OVERDUE
    )
    idle = Q(busy_until=None) | Q(busy_until__lt=at)
    rested = Q(rest_until=None) | Q(rest_until__lt=at - OVERDUE)
    left = WebhookEndpoint.objects.filter(idle, rested).filter(Exists(overdue)).select_related("site")
    for endpoint in left:
        queue_line(endpoint, at=at, when=at)
    return {"endpoints": len(left)}


@periodic("purge_webhooks", every=timedelta(hours=1))
def purge_webhooks(task: TaskContext) -> dict[str, int]:
    """Forget deliveries that were over long ago and secrets that have ended, some at a time."""
    old = WebhookDelivery.objects.filter(finished_at__lt=task.now() - conf.webhook_retention)
    removed = 0
    while ids := list(old.order_by("pk").values_list("pk", flat=True)[:PURGED_AT_ONCE]):
        removed += _forget(ids)
        task.heartbeat(50, "Forgetting old deliveries")
    forgotten, resealed = tend_secrets(at=task.now())
    return {"deliveries": removed, "secrets": forgotten, "resealed": resealed}


@write_transaction
def _forget(ids: list[uuid.UUID]) -> int:
    return WebhookDelivery.objects.filter(pk__in=ids).delete()[0]


def _rounded_up(at: datetime) -> datetime:
    """A moment soon after: few different ones, so that few tasks wait for a busy line."""
    step = math.ceil(line_lease().total_seconds() / 3)
    return datetime.fromtimestamp(math.ceil(at.timestamp() / step) * step, tz=UTC)
