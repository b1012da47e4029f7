"""API keys: which programs may come in, and who may let one in or send one away."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api import queries
from api.fields import Body, Moment, Several, Text, Whole, Word
from api.kinds import Told, acts, creates, lists, shows
from api.lookups import asked_sites, not_found, one_of, site_of
from api.models import ApiKey
from api.services.keys import issue_key, revoke_key
from api.stock import SITE
from api.views import ApiView, Call
from shop.actor import Actor
from shop.models import User
from shop.roles import SCOPES, Action

MOST_SITES = 100
MOST_REQUESTS_PER_MINUTE = 1_000_000


class KeySerializer(serializers.Serializer):
    """A key without its secret, which is kept nowhere."""

    id = serializers.UUIDField()
    name = serializers.CharField(help_text="The program that uses it.")
    prefix = serializers.CharField(help_text="By which it is known in logs.")
    user = serializers.CharField(source="user.username", help_text="In whose name it acts.")
    sites = serializers.SerializerMethodField()
    scopes = serializers.ListField(child=serializers.ChoiceField(choices=SCOPES))
    requests_per_minute = serializers.IntegerField()
    created_at = serializers.DateTimeField()
    created_by = serializers.CharField()
    expires_at = serializers.DateTimeField(allow_null=True)
    revoked_at = serializers.DateTimeField(allow_null=True)
    last_used_at = serializers.DateTimeField(allow_null=True, help_text="To the minute.")

    def get_sites(self, key: ApiKey) -> list[str]:
        return sorted(site.code for site in key.sites.all())


class KeyWithSecretSerializer(KeySerializer):
    key = serializers.CharField(
        help_text="What the program sends. Shown in this answer and in repeats of it under the same "
        "Idempotency-Key, and nowhere else."
    )


class IssueKeySerializer(Body):
    name = Text(most=80, help_text="The program that will use it.")
    user = Text(most=150, required=False, help_text="In whose name it acts; left out, the asker's.")
    sites = Several(child=Text(most=20), most=MOST_SITES)
    scopes = Several(child=Word(choices=SCOPES), most=len(SCOPES))
    requests_per_minute = Whole(least=1, most=MOST_REQUESTS_PER_MINUTE, required=False)
    expires_at = Moment(required=False, help_text="Left out: it stands until it is revoked.")


class KeyView(ApiView):
    answer = KeySerializer
    one = "key"

    def rows(self, actor: Actor) -> QuerySet[ApiKey]:
        """Keys that reach no site that the asker does not see: such a one is others' thing too."""
        seen = ApiKey.objects.filter(sites__in=list(actor.roles))
        beyond = ApiKey.sites.through.objects.exclude(site__in=list(actor.roles)).values("apikey")
        keys = ApiKey.objects.filter(pk__in=seen.values("pk")).exclude(pk__in=beyond)
        return keys.select_related("user").prefetch_related("sites")

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> ApiKey:
        return one_of(self.rows(actor), lock=lock, **path)


class Keys(KeyView):
    @lists(
        Action.MANAGE_KEYS,
        "list_keys",
        "Keys of programs at these sites, newest first, revoked and expired ones too.",
        order=("-created_at", "-id"),
        query=(SITE, queries.choice("revoked", "Only revoked keys, or only the others.", ("true", "false"))),
        orderings={"created_at": ("created_at", "id"), "name": ("name", "id")},
        wide=KeySerializer,
    )
    def get(self, call: Call) -> QuerySet[ApiKey]:
        keys = self.rows(call.actor)
        if "site" in call.query:
            keys = keys.filter(sites__in=asked_sites(call.actor, call.query))
        if "revoked" in call.query:
            keys = keys.filter(revoked_at__isnull=call.query["revoked"] == "false")
        return keys

    @creates(
        Action.MANAGE_KEYS,
        "issue_key",
        "Issue a key to a program. A key issues none that may do more than itself.",
        body=IssueKeySerializer,
        example={"name": "bay calculator", "sites": ["north"], "scopes": ["read", "plan", "hold"]},
        answer=KeyWithSecretSerializer,
        tells="key",
    )
    def post(self, call: Call) -> Told:
        body = dict(call.body)
        sites = [site_of(call.actor, code, f"/sites/{i}") for i, code in enumerate(body.pop("sites"))]
        user = call.actor.user
        if "user" in body:
            user = User.objects.filter(username=body.pop("user"), memberships__site__in=sites).first()
        if user is None:
            raise not_found("/user")
        return Told(*issue_key(actor=call.actor, at=call.at, user=user, sites=sites, **body))


class OneKey(KeyView):
    @shows(Action.MANAGE_KEYS, "key", "One key, without its secret.")
    def get(self, call: Call, **path: Any) -> ApiKey:
        return self.find(call.actor, **path)


class RevokeKey(KeyView):
    @acts(Action.MANAGE_KEYS, "revoke_key", "End a key: its next request is refused.")
    def post(self, call: Call, key: ApiKey) -> ApiKey:
        return revoke_key(key=key, actor=call.actor, at=call.at)
