"""The demo's API key: a fresh one at each start, for everything, at both sites."""

from datetime import datetime

from api.models import ApiKey
from api.services.keys import issue_key, revoke_key
from shop.actor import actor_for_user
from shop.conf import conf
from shop.db import write_transaction
from shop.demo.people import KEY_HOLDER
from shop.models import Site, User
from shop.roles import SCOPES

NAME = "Demo calculator"


@write_transaction
def issue_demo_key(*, at: datetime) -> str:
    """Revoke the keys of earlier starts and answer the text of a new one."""
    holder = User.objects.get(username=KEY_HOLDER)
    actor = actor_for_user(holder)
    for old in ApiKey.objects.filter(name=NAME, user=holder, revoked_at=None):
        revoke_key(key=old, actor=actor, at=at)
    _, text = issue_key(
        actor=actor,
        at=at,
        name=NAME,
        user=holder,
        sites=Site.objects.filter(memberships__user=holder),
        scopes=SCOPES,
        requests_per_minute=conf.demo_requests_per_minute,
    )
    return text
