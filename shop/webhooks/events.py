"""What others can be told of: a closed list, and the one function that writes such an event down.

An event is written in the transaction of its cause, so that there is none of work that was rolled back and
one of all that was done, whenever the process dies. What its `data` holds is described, kind by kind, in the
API's document under `webhooks`, and a test holds every event against that.
"""

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from django.db import models

from shop.background.queue import record_event
from shop.models import OutboxEvent, Site

# Standard Webhooks 1.0.0, "Payload size": usually smaller than 20 kB. Whoever tells lists things keeps below.
MOST_BYTES = 20_000


class EventKind(models.TextChoices):
    STOCK_LOW = "stock.low", "Fewer shims of a size are available than the site wants to keep"
    HOLD_EXPIRING = "hold.expiring", "A hold runs out soon; its shims will be free for others"
    HOLD_READY = "hold.ready", "Everything that a job waited for is here and held"
    PLAN_STALE = "plan.stale", "A job's plan is out of date: plan again"
    DELIVERY_RECEIVED = "delivery.received", "Shims of a purchase list came in"
    JOB_SIGNED_OFF = "job.signed_off", "A job was signed off"


def tell(kind: EventKind, data: Mapping[str, Any], *, site: Site, at: datetime) -> OutboxEvent:
    """Write down that something happened. `data`: JSON-able facts, the ids of what it is about among them,
    and few enough to stay under 20 kB; the site's code is added."""
    return record_event(kind, {"site": site.code, **data}, at=at, site=site)


def message_of(event: OutboxEvent) -> dict[str, Any]:
    """The event as others get it: what, when it happened, and the facts."""
    return {"type": event.kind, "timestamp": moment(event.created_at), "data": event.payload}


def body_of(event: OutboxEvent) -> str:
    """The message as the one text that is kept, signed, sent and sent again."""
    return json.dumps(message_of(event), ensure_ascii=False, separators=(",", ":"))


def moment(at: datetime) -> str:
    """A time in UTC by ISO 8601, as the API writes it."""
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")
