"""Sites with their bays, and who is asking."""

from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api.kinds import lists, shows
from api.lookups import one_of, sites_of
from api.views import ApiView, Call
from api.words import ROLES
from shop.actor import Actor
from shop.models import Site
from shop.roles import SCOPES, Action


class BaySerializer(serializers.Serializer):
    number = serializers.IntegerField()
    name = serializers.CharField(allow_blank=True)


class SiteSerializer(serializers.Serializer):
    code = serializers.CharField()
    name = serializers.CharField()
    time_zone = serializers.CharField()
    bays = BaySerializer(many=True, source="bays.all")


class SiteView(ApiView):
    answer = SiteSerializer
    one = "site"

    def find(self, actor: Actor, *, lock: bool = False, **path: Any) -> Site:
        return one_of(sites_of(actor).prefetch_related("bays"), lock=lock, **path)


class Sites(SiteView):
    @lists(
        Action.READ,
        "list_sites",
        "The sites that this credential sees.",
        order=("code", "id"),
        orderings={"code": ("code", "id"), "name": ("name", "id")},
    )
    def get(self, call: Call) -> QuerySet[Site]:
        return sites_of(call.actor).prefetch_related("bays")


class OneSite(SiteView):
    @shows(Action.READ, "site", "One site with its bays.")
    def get(self, call: Call, code: str) -> Site:
        return self.find(call.actor, code=code)


class RoleAtSiteSerializer(serializers.Serializer):
    site = serializers.CharField()
    role = serializers.ChoiceField(choices=ROLES)


class MeSerializer(serializers.Serializer):
    user = serializers.CharField(help_text="The person, or the one in whose name the key acts.")
    key = serializers.CharField(allow_null=True, help_text="The key's name; null for a log-in.")
    scopes = serializers.ListField(
        child=serializers.ChoiceField(choices=SCOPES),
        allow_null=True,
        help_text="null: a person has no scopes.",
    )
    roles = RoleAtSiteSerializer(many=True)
    requests_per_minute = serializers.IntegerField()
    expires_at = serializers.DateTimeField(allow_null=True)


class Me(ApiView):
    answer = MeSerializer

    @shows(Action.READ, "me", "Who is asking, and what they may do where.")
    def get(self, call: Call) -> dict[str, Any]:
        actor, key = call.actor, call.credential.key
        sites = sites_of(actor).order_by("code")
        return {
            "user": str(actor.user),
            "key": key.name if key else None,
            "scopes": key.scopes if key else None,
            "roles": [{"site": site.code, "role": actor.roles[site.pk]} for site in sites],
            "requests_per_minute": call.credential.requests_per_minute,
            "expires_at": key.expires_at if key else None,
        }
