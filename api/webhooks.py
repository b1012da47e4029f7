"""Webhooks: who outside is told of a site's events, what was sent, and what was given up."""

import uuid
from datetime import timedelta
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.fields import empty

from api import queries
from api.fields import Body, Several, Text, Whole, Word
from api.kinds import Told, acts, creates, lists, shows
from api.lookups import asked_sites, one_of, site_of
from api.stock import SITE
from api.views import ApiView, Call
from api.words import DELIVERY_STATES, EVENT_KINDS
from shop.actor import Actor
from shop.models import Site, WebhookDelivery, WebhookEndpoint
from shop.roles import Action
from shop.webhooks.deliveries import replay_dead, replay_delivery
from shop.webhooks.endpoints import (
    LONGEST_OVERLAP,
    MOST_NOTE,
    USUAL_OVERLAP,
    add_endpoint,
    disable_endpoint,
    enable_endpoint,
    rotate_secret,
)
from shop.webhooks.targets import MOST_CHARACTERS, Target, TargetRefused, check_target

HOUR = timedelta(hours=1)


class Address(Text):
    """An address that events may be sent to, looked up and checked here, before any transaction begins."""

    def __init__(self, **options: Any) -> None:
        super().__init__(most=MOST_CHARACTERS, **options)

    def run_validation(self, data: Any = empty) -> Target:
        text = super().run_validation(data)
        try:
            return check_target(text)
        except TargetRefused as refusal:
            raise serializers.ValidationError(refusal.why) from refusal


class WebhookSerializer(serializers.Serializer):
    id = serializers.UUIDField()
    site = serializers.CharField(source="site.code")
    url = serializers.CharField()
    events = serializers.ListField(source="kinds", child=serializers.ChoiceField(choices=EVENT_KINDS))
    note = serializers.CharField(allow_blank=True)
    created_at = serializers.DateTimeField()
    created_by = serializers.CharField()
    disabled_at = serializers.DateTimeField(allow_null=True)
    disabled_because = serializers.CharField(allow_blank=True)


class WebhookWithSecretSerializer(WebhookSerializer):
    secret = serializers.CharField(
        help_text="What its messages are signed with (Standard Webhooks 1.0). Shown in this answer and in "
        "repeats of it under the same Idempotency-Key, and nowhere else."
    )


class AddWebhookSerializer(Body):
    site = Text(most=20, required=False)
    url = Address(help_text="https, and a public address; the operator may name further networks.")
    events = Several(child=Word(choices=EVENT_KINDS), most=len(EVENT_KINDS))
    note = Text(most=MOST_NOTE, required=False)


class RotateSecretSerializer(Body):
    overlap_hours = Whole(
        least=0,
        most=LONGEST_OVERLAP // HOUR,
        required=False,
        help_text="For how long messages are signed under the old secret too, so that the receiver can "
        f"change over at any moment. Left out: {USUAL_OVERLAP // HOUR}.",
    )


class DisableWebhookSerializer(Body):
    note = Text(most=MOST_NOTE, required=False)


class WebhookView(ApiView):
    answer = WebhookSerializer
    one = "webhook"

    def rows(self, sites: list[Any]) -> QuerySet[WebhookEndpoint]:
        return WebhookEndpoint.objects.filter(site__in=sites).select_related("site")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> WebhookEndpoint:
        return one_of(self.rows(managed_by(actor, list(actor.roles))), lock=lock, **path)


class Webhooks(WebhookView):
    @lists(
        Action.MANAGE_WEBHOOKS,
        "list_webhooks",
        "Who is told of events, the latest first.",
        order=("-created_at", "-id"),
        query=(SITE,),
        orderings={"created_at": ("created_at", "id")},
    )
    def get(self, call: Call) -> QuerySet[WebhookEndpoint]:
        return self.rows(managed_by(call.actor, asked_sites(call.actor, call.query)))

    @creates(
        Action.MANAGE_WEBHOOKS,
        "add_webhook",
        "Have an address told of a site's events.",
        body=AddWebhookSerializer,
        example={
            "site": "north",
            "url": "https://hooks.example/coldgap",
            "events": ["hold.ready", "plan.stale"],
        },
        answer=WebhookWithSecretSerializer,
        tells="secret",
    )
    def post(self, call: Call) -> Told:
        body = call.body
        site = site_of(call.actor, body.get("site"))
        endpoint, secret = add_endpoint(
            site=site,
            actor=call.actor,
            at=call.at,
            target=body["url"],
            kinds=body["events"],
            note=body.get("note", ""),
        )
        return Told(endpoint, secret)


class OneWebhook(WebhookView):
    @shows(Action.MANAGE_WEBHOOKS, "webhook", "One of those who are told.")
    def get(self, call: Call, **path: Any) -> WebhookEndpoint:
        return self.find(call.actor, **path)


class RotateSecret(WebhookView):
    @acts(
        Action.MANAGE_WEBHOOKS,
        "rotate_webhook_secret",
        "A new secret; the old one signs too for a while.",
        body=RotateSecretSerializer,
        example={"overlap_hours": 24},
        answer=WebhookWithSecretSerializer,
        tells="secret",
    )
    def post(self, call: Call, endpoint: WebhookEndpoint) -> Told:
        overlap = call.body.get("overlap_hours", USUAL_OVERLAP // HOUR) * HOUR
        return Told(*rotate_secret(endpoint=endpoint, actor=call.actor, at=call.at, overlap=overlap))


class DisableWebhook(WebhookView):
    @acts(
        Action.MANAGE_WEBHOOKS,
        "disable_webhook",
        "Tell it nothing more; what still waits is given up and can be replayed.",
        body=DisableWebhookSerializer,
        example={"note": "moves to another machine"},
    )
    def post(self, call: Call, endpoint: WebhookEndpoint) -> WebhookEndpoint:
        return disable_endpoint(
            endpoint=endpoint, actor=call.actor, at=call.at, note=call.body.get("note", "")
        )


class EnableWebhook(WebhookView):
    @acts(Action.MANAGE_WEBHOOKS, "enable_webhook", "Tell it of events from now on.")
    def post(self, call: Call, endpoint: WebhookEndpoint) -> WebhookEndpoint:
        return enable_endpoint(endpoint=endpoint, actor=call.actor, at=call.at)


class ReplayDead(WebhookView):
    @acts(
        Action.MANAGE_WEBHOOKS,
        "replay_dead_deliveries",
        "Send everything that was given up for it once more, under the ids of before.",
    )
    def post(self, call: Call, endpoint: WebhookEndpoint) -> int:
        return replay_dead(endpoint=endpoint, actor=call.actor, at=call.at)


class DeliverySerializer(serializers.Serializer):
    id = serializers.UUIDField()
    webhook = serializers.UUIDField(source="endpoint_id")
    site = serializers.CharField(source="endpoint.site.code")
    message_id = serializers.UUIDField(source="event_id", help_text="The webhook-id, at every attempt.")
    event = serializers.ChoiceField(source="kind", choices=EVENT_KINDS)
    state = serializers.ChoiceField(choices=DELIVERY_STATES)
    created_at = serializers.DateTimeField()
    attempts = serializers.IntegerField()
    next_attempt_at = serializers.DateTimeField(allow_null=True)
    last_attempt_at = serializers.DateTimeField(allow_null=True)
    last_status = serializers.IntegerField(allow_null=True, help_text="null: there was no answer.")
    last_error = serializers.CharField(allow_blank=True)
    finished_at = serializers.DateTimeField(allow_null=True)


class DeliveryWithBodySerializer(DeliverySerializer):
    body = serializers.CharField(help_text="What was signed and sent, to the byte.")


class DeliveryView(ApiView):
    answer = DeliveryWithBodySerializer
    one = "webhook-delivery"

    def rows(self, sites: list[Any]) -> QuerySet[WebhookDelivery]:
        return WebhookDelivery.objects.filter(endpoint__site__in=sites).select_related("endpoint__site")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> WebhookDelivery:
        return one_of(self.rows(managed_by(actor, list(actor.roles))), lock=lock, **path)


class Deliveries(DeliveryView):
    @lists(
        Action.MANAGE_WEBHOOKS,
        "list_webhook_deliveries",
        "What was sent or waits to be, the latest first; with state=dead, what was given up.",
        order=("-created_at", "-id"),
        query=(
            SITE,
            queries.choice("state", "Only in this state.", DELIVERY_STATES),
            queries.identity("webhook", "Only to this one."),
            queries.choice("event", "Only of this kind.", EVENT_KINDS),
            *queries.period("what was written down"),
        ),
        orderings={"created_at": ("created_at", "id")},
        wide=DeliverySerializer,
        answer=DeliverySerializer,
    )
    def get(self, call: Call) -> QuerySet[WebhookDelivery]:
        wanted = {
            "state": "state",
            "webhook": "endpoint_id",
            "event": "kind",
            "from": "created_at__gte",
            "to": "created_at__lt",
        }
        rows = self.rows(managed_by(call.actor, asked_sites(call.actor, call.query)))
        return rows.defer("body").filter(**queries.given(call.query, wanted))


class OneDelivery(DeliveryView):
    @shows(Action.MANAGE_WEBHOOKS, "webhook_delivery", "One event on its way to one receiver.")
    def get(self, call: Call, **path: Any) -> WebhookDelivery:
        return self.find(call.actor, **path)


class ReplayDelivery(DeliveryView):
    @acts(
        Action.MANAGE_WEBHOOKS,
        "replay_webhook_delivery",
        "Send it once more: the same id, the same body, tried as often as a new one.",
    )
    def post(self, call: Call, delivery: WebhookDelivery) -> WebhookDelivery:
        return replay_delivery(delivery=delivery, actor=call.actor, at=call.at)


def managed_by(actor: Actor, sites: list[uuid.UUID]) -> list[uuid.UUID]:
    """Those of the sites at which the actor may look after webhooks: an address may hold a word of entry, so
    that who may not does not see that it is there."""
    rows = Site.objects.filter(pk__in=sites)
    return [site.pk for site in rows if actor.may(Action.MANAGE_WEBHOOKS, site)]
