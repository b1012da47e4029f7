"""Telling that a hold runs out soon, once for each time at which it would."""

from datetime import datetime

from django.db.models import F, QuerySet

from inventory.models import Hold, HoldWarning
from inventory.services import news
from shop.conf import conf
from shop.db import write_transaction
from shop.models import Site


def warn_of_expiring_holds(*, site: Site, at: datetime) -> int:
    """Tell of the site's holds that run out within the setting's time; how many. Safe to run twice or at
    once. A hold that is extended is told of again when its new time comes near."""
    # Asked first without a lock: nearly always there is none, and no writer has to wait for that.
    return _warn(site, at) if _due(site, at).exists() else 0


def _due(site: Site, at: datetime) -> QuerySet[Hold]:
    soon = Hold.objects.filter(
        site=site, state=Hold.State.HELD, expires_at__gt=at, expires_at__lte=at + conf.hold_warning
    )
    return soon.exclude(warning__expires_at=F("expires_at"))


@write_transaction
def _warn(site: Site, at: datetime) -> int:
    # A hold that somebody has locked is being extended, handed out or released: the next look knows.
    holds = list(_due(site, at).select_for_update(of=("self",), skip_locked=True).order_by("pk"))
    for hold in holds:
        assert hold.expires_at is not None
        hold.site = site
        HoldWarning.objects.update_or_create(hold=hold, defaults={"expires_at": hold.expires_at})
        news.hold_expiring(hold, at)
    return len(holds)
