"""One event for one endpoint: made when the event leaves the outbox, tried until it is taken or given up.

Lock law: an endpoint's row before the rows of its deliveries.
"""

from datetime import datetime, timedelta
from random import SystemRandom

import structlog
from django.db.models import F, QuerySet

from shop.actor import Actor
from shop.background.queue import queue_task
from shop.conf import conf
from shop.db import write_transaction
from shop.errors import WrongState
from shop.models import OutboxEvent, WebhookDelivery, WebhookEndpoint
from shop.roles import Action
from shop.webhooks.endpoints import shut
from shop.webhooks.events import body_of
from shop.webhooks.sending import GONE, Outcome

DELIVER = "deliver_webhooks"
# After the first attempt, made at once: the schedule that Standard Webhooks 1.0.0 gives, a good three days.
BACKOFF = (
    timedelta(seconds=5),
    timedelta(minutes=5),
    timedelta(minutes=30),
    timedelta(hours=2),
    timedelta(hours=5),
    timedelta(hours=10),
    timedelta(hours=14),
    timedelta(hours=20),
    timedelta(hours=24),
)
MOST_JITTER = 0.1
# After a failure the receiver is left alone for a while that doubles, whatever else waits for it: one that is
# down must not keep the workers, each attempt at it fifteen seconds, from the shop's own work.
FIRST_REST, LONGEST_REST = timedelta(seconds=5), timedelta(minutes=5)
LONGEST_ASKED_REST = timedelta(hours=1)
_jitter = SystemRandom()
_log = structlog.get_logger("coldgap.webhooks")

State = WebhookDelivery.State


@write_transaction
def hand_on(event: OutboxEvent, *, at: datetime) -> int:
    """Make a delivery for every endpoint of the event's site that wants it; how many. Safe to run twice."""
    if event.site is None:
        return 0
    endpoints = WebhookEndpoint.objects.filter(site=event.site, disabled_at=None).select_related("site")
    wanting = [endpoint for endpoint in endpoints if event.kind in endpoint.kinds]
    if not wanting:
        return 0
    made = {"kind": event.kind, "body": body_of(event), "created_at": at, "next_attempt_at": at}
    for endpoint in wanting:
        WebhookDelivery.objects.get_or_create(endpoint=endpoint, event_id=event.pk, defaults=made)
        queue_line(endpoint, at=at, when=at)
    return len(wanting)


def queue_line(endpoint: WebhookEndpoint, *, at: datetime, when: datetime) -> None:
    """Have a worker look at what is due for the endpoint at `when`; one task for each moment to come."""
    queue_task(
        DELIVER,
        {"endpoint": str(endpoint.pk)},
        at=at,
        site=endpoint.site,
        run_after=when,
        # Not for now: the task of this very moment may have looked already.
        dedupe_key=f"{DELIVER} {endpoint.pk} {when.isoformat()}" if when > at else None,
    )


def line_lease() -> timedelta:
    """For how long after its last sign of life a worker has the line to a receiver: a task's lease, which is
    longer than an attempt takes."""
    return conf.task_lease


def next_due(endpoint: WebhookEndpoint, *, at: datetime) -> WebhookDelivery | None:
    """What waits longest among what is due for the endpoint."""
    due = WebhookDelivery.objects.filter(endpoint=endpoint, state=State.WAITING, next_attempt_at__lte=at)
    return due.order_by("next_attempt_at", "id").first()


@write_transaction
def record_outcome(delivery: WebhookDelivery, outcome: Outcome, *, at: datetime) -> WebhookEndpoint:
    """Write down what came of an attempt, and when the next one is; the endpoint as it is afterwards.

    Changes nothing of a delivery that somebody else has tried or given up meanwhile.
    """
    endpoint = (
        WebhookEndpoint.objects.select_for_update(of=("self",))
        .select_related("site")
        .get(pk=delivery.endpoint_id)
    )
    endpoint.busy_until = at + line_lease()
    endpoint.failures = 0 if outcome.taken else endpoint.failures + 1
    endpoint.rest_until = None if outcome.taken else at + _rest(endpoint.failures, outcome)
    endpoint.save(update_fields=["busy_until", "failures", "rest_until"])
    ours = WebhookDelivery.objects.filter(pk=delivery.pk, state=State.WAITING, attempts=delivery.attempts)
    ours.update(
        attempts=F("attempts") + 1,
        last_attempt_at=at,
        last_status=outcome.status,
        last_error=outcome.error[:200],
        **_what_follows(delivery, outcome, at),
    )
    if outcome.status == GONE and endpoint.disabled_at is None:
        shut(endpoint, at=at, because="The receiver answered 410 Gone: it wants no more events.")
    _log.info(
        "webhook sent" if outcome.taken else "webhook not taken",
        webhook=str(endpoint.pk),
        event_id=str(delivery.event_id),
        attempt=delivery.attempts + 1,
        status=outcome.status,
        error=outcome.error,
    )
    return endpoint


@write_transaction
def replay_delivery(*, delivery: WebhookDelivery, actor: Actor, at: datetime) -> WebhookDelivery:
    """Send a delivery that is over once more: the same id, the same body, tried as often as a new one.

    Raises WrongState for one that is still tried, and for one whose endpoint is disabled.
    """
    delivery = (
        WebhookDelivery.objects.select_for_update(of=("self",))
        .select_related("endpoint__site")
        .get(pk=delivery.pk)
    )
    actor.must(Action.MANAGE_WEBHOOKS, delivery.site)
    if delivery.state == State.WAITING:
        raise WrongState("This event is still on its way: it will be tried again by itself.")
    _refuse_disabled(delivery.endpoint)
    _wait_again(WebhookDelivery.objects.filter(pk=delivery.pk), at)
    queue_line(delivery.endpoint, at=at, when=at)
    _log.info("webhook replayed", delivery=str(delivery.pk), by=actor.label)
    delivery.refresh_from_db()
    return delivery


@write_transaction
def replay_dead(*, endpoint: WebhookEndpoint, actor: Actor, at: datetime) -> int:
    """Send everything that was given up for an endpoint once more; how many deliveries.

    Raises WrongState for an endpoint that is disabled.
    """
    endpoint = (
        WebhookEndpoint.objects.select_for_update(of=("self",)).select_related("site").get(pk=endpoint.pk)
    )
    actor.must(Action.MANAGE_WEBHOOKS, endpoint.site)
    _refuse_disabled(endpoint)
    replayed = _wait_again(endpoint.deliveries.filter(state=State.DEAD), at)
    if replayed:
        queue_line(endpoint, at=at, when=at)
        _log.info("webhooks replayed", webhook=str(endpoint.pk), deliveries=replayed, by=actor.label)
    return replayed


def _wait_again(rows: QuerySet[WebhookDelivery], at: datetime) -> int:
    return rows.update(state=State.WAITING, attempts=0, next_attempt_at=at, finished_at=None)


def _what_follows(delivery: WebhookDelivery, outcome: Outcome, at: datetime) -> dict[str, object]:
    over = {"next_attempt_at": None, "finished_at": at}
    if outcome.taken:
        return {"state": State.TAKEN, **over}
    if delivery.attempts >= len(BACKOFF):
        return {"state": State.DEAD, **over}
    pause = BACKOFF[delivery.attempts] * (1 + _jitter.uniform(0, MOST_JITTER))
    return {"next_attempt_at": at + max(pause, timedelta(seconds=outcome.retry_after))}


def _rest(failures: int, outcome: Outcome) -> timedelta:
    doubled: timedelta = FIRST_REST * 2 ** min(failures - 1, 10)
    asked = min(timedelta(seconds=outcome.retry_after), LONGEST_ASKED_REST)
    return max(min(doubled, LONGEST_REST), asked)


def _refuse_disabled(endpoint: WebhookEndpoint) -> None:
    if endpoint.disabled_at:
        raise WrongState("This webhook is disabled: enable it, then replay.")
