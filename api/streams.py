"""Streams: a task as it goes on, and a site's events as they happen."""

import hashlib
import json
import uuid
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.db.models import QuerySet
from rest_framework.request import Request

from api.background import OneTask, TaskSerializer
from api.event_stream import EVENT_STREAM, Looks, ServerEvent
from api.kinds import streams
from api.lookups import one_of, sites_of
from api.shapes import sent
from api.views import ApiView, Call, OnlyJson
from api.words import EVENT_KINDS
from shop.actor import Actor
from shop.errors import ShopError
from shop.models import OutboxEvent, Site, Task
from shop.roles import Action
from shop.webhooks.events import message_of

MOST_AT_ONCE = 200
# An event is there once its transaction ends, which may be a while after the moment that it names.
OVERLAP = timedelta(seconds=15)


class NotAcceptable(ShopError):
    """The reader takes no event stream."""

    code = "not-acceptable"
    status = 406


class OnlyEvents(OnlyJson):
    """A stream of events is answered; refusals are JSON all the same."""

    def select_renderer(
        self, request: Request, renderers: list[Any], format_suffix: str | None = None
    ) -> tuple[Any, str]:
        for part in request.META.get("HTTP_ACCEPT", "*/*").split(","):
            if part.partition(";")[0].strip().casefold() in ("", "*/*", "text/*", EVENT_STREAM):
                return renderers[0], renderers[0].media_type
        raise NotAcceptable(f"Only {EVENT_STREAM} is answered here.")


class StreamView(ApiView):
    content_negotiation_class = OnlyEvents


class TaskStream(StreamView):
    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Task:
        return OneTask().find(actor, lock=lock, **path)

    @streams(
        Action.READ,
        "stream_task",
        "One task each time that it changes, until it is over: events named `task`, their data as at "
        "/tasks/{id}. 204 to a reader that has seen its end.",
    )
    def get(self, call: Call, after: str, **path: Any) -> Looks | None:
        task = self.find(call.actor, **path)
        return None if task.is_over and after == _task_event(task).id else _changes(task, after)


class SiteStream(StreamView):
    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Site:
        return one_of(sites_of(actor), lock=lock, **path)

    @streams(
        Action.READ,
        "stream_site_events",
        "A site's events as they happen, named by their kind, their data as in webhooks. After Last-Event-ID "
        "it goes on from there; an event may come twice, under the same id.",
    )
    def get(self, call: Call, after: str, **path: Any) -> Looks:
        site = self.find(call.actor, **path)
        events = OutboxEvent.objects.filter(site=site, kind__in=EVENT_KINDS)
        last = _last_seen(events, after)
        if last is not None:
            return _new_events(events, last.created_at, {last.pk})
        there = events.filter(created_at__gte=call.at - OVERLAP)
        return _new_events(events, call.at, set(there.values_list("pk", flat=True)))


def _changes(task: Task | None, seen: str) -> Iterator[Sequence[ServerEvent]]:
    """The task at each look where it has changed, until it is over or forgotten."""
    while task is not None:
        event = _task_event(task)
        yield [event] if event.id != seen else []
        if task.is_over:
            return
        seen = event.id
        task = Task.objects.filter(pk=task.pk).first()


def _new_events(
    events: QuerySet[OutboxEvent], since: datetime, seen: set[uuid.UUID]
) -> Iterator[Sequence[ServerEvent]]:
    """What is new at each look. `seen`: what has been said, as far back as late ones are looked for."""
    while True:
        window = events.filter(created_at__gte=since - OVERLAP).order_by("created_at", "id")
        fresh = list(window.exclude(pk__in=seen)[:MOST_AT_ONCE])
        yield [ServerEvent(name=event.kind, data=message_of(event), id=str(event.pk)) for event in fresh]
        if fresh:
            since = max(since, fresh[-1].created_at)
            seen |= {event.pk for event in fresh}
            seen &= set(events.filter(created_at__gte=since - OVERLAP).values_list("pk", flat=True))


def _task_event(task: Task) -> ServerEvent:
    data = sent(TaskSerializer, task)
    mark = hashlib.sha256(json.dumps(data, sort_keys=True, default=str).encode()).hexdigest()[:16]
    return ServerEvent(name="task", data=data, id=mark)


def _last_seen(events: QuerySet[OutboxEvent], after: str) -> OutboxEvent | None:
    """The event that a reader saw last; None where it names none, or one that is no longer known."""
    try:
        return events.filter(pk=uuid.UUID(after)).first()
    except ValueError:
        return None
