"""Events in the tests: what was told, each held against what the API's document says of it."""

from api.event_shapes import DATA, message_schema
from shop.models import OutboxEvent
from shop.webhooks.events import MOST_BYTES, EventKind, body_of, message_of
from tests.api.program import validator


def told(kind: EventKind | None = None) -> list[dict]:
    """The data of every event so far, of one kind or of all that others can be told of, oldest first."""
    kinds = EventKind.values if kind is None else [kind.value]
    events = OutboxEvent.objects.filter(kind__in=kinds).order_by("created_at", "id")
    for event in events:
        validator(message_schema(event.kind)).validate(message_of(event))
        # A receiver may count on every field, and finds no other.
        assert set(event.payload) == set(DATA[event.kind]["properties"])
        assert event.payload["site"] == event.site.code
        assert len(body_of(event).encode()) < MOST_BYTES
    return [event.payload for event in events]
