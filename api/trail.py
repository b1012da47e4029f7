"""The audit trail: who did what over the API, by which key, when, and how it ended."""

from typing import Any

from django.db.models import Q, QuerySet
from rest_framework import serializers

from api import queries
from api.kinds import lists, shows
from api.lookups import asked_sites, one_of
from api.models import TrailEntry
from api.stock import SITE
from api.views import ApiView, Call
from shop.actor import Actor
from shop.models import Membership
from shop.roles import Action


class TrailEntrySerializer(serializers.Serializer):
    """One write. Refusals by the state of things (409, 412) stand here too; those of form, access and rate
    only in the log."""

    id = serializers.UUIDField()
    at = serializers.DateTimeField()
    who = serializers.CharField()
    user = serializers.CharField(source="user.username")
    key = serializers.UUIDField(source="key_id", allow_null=True, help_text="null: a log-in of the pages.")
    site = serializers.CharField(source="site.code", allow_null=True, default=None)
    act = serializers.CharField(help_text="The operation's name in this document.")
    method = serializers.CharField()
    path = serializers.CharField()
    made = serializers.CharField(allow_blank=True, help_text="The address of what was made.")
    status = serializers.IntegerField()
    request_id = serializers.CharField(allow_blank=True, help_text="As in the log and in the ledger.")


class TrailView(ApiView):
    answer = TrailEntrySerializer

    def rows(self, actor: Actor, sites: list[Any]) -> QuerySet[TrailEntry]:
        """Acts at these sites, and what people of these sites did to what all sites share."""
        ours = Membership.objects.filter(site__in=sites).values("user")
        theirs = Membership.objects.exclude(site__in=list(actor.roles)).values("user")
        shared = Q(site=None, user__in=ours) & ~Q(user__in=theirs)
        return TrailEntry.objects.filter(Q(site__in=sites) | shared).select_related("user", "site")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> TrailEntry:
        return one_of(self.rows(actor, list(actor.roles)), lock=lock, **path)


class Trail(TrailView):
    @lists(
        Action.MANAGE_KEYS,
        "list_audit_trail",
        "Writes over the API, newest first.",
        order=("-at", "-id"),
        query=(
            SITE,
            queries.identity("by_key", "Only by this key."),
            queries.text("user", "Only in this person's name.", most=150),
            queries.text("act", "Only this operation.", most=40),
            queries.text("request_id", "Only this request.", most=128),
            *queries.period("done"),
        ),
        orderings={"at": ("at", "id")},
        wide=TrailEntrySerializer,
    )
    def get(self, call: Call) -> QuerySet[TrailEntry]:
        query = call.query
        rows = self.rows(call.actor, asked_sites(call.actor, query))
        named = {"by_key": "key_id", "user": "user__username", "act": "act", "request_id": "request_id"}
        return rows.filter(**queries.given(query, named | {"from": "at__gte", "to": "at__lt"}))


class OneTrailEntry(TrailView):
    @shows(Action.MANAGE_KEYS, "audit_trail_entry", "One write.")
    def get(self, call: Call, **path: Any) -> TrailEntry:
        return self.find(call.actor, **path)
