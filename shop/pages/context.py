"""What the page frame shows on every page."""

from typing import Any

from django.http import HttpRequest

from shop.conf import conf
from shop.roles import Action


def page_frame(request: HttpRequest) -> dict[str, Any]:
    """`site`, `memberships`, `may` by action in small letters, and when the page locks itself; nothing where
    nobody is logged in."""
    actor = getattr(request, "actor", None)
    if actor is None:
        return {}
    site = getattr(request, "site", None)
    context: dict[str, Any] = {
        "memberships": request.memberships,  # type: ignore[attr-defined]
        "idle_seconds": int(conf.idle_time.total_seconds()),
    }
    if site is not None:
        context["site"] = site
        context["role"] = next(m.get_role_display() for m in context["memberships"] if m.site_id == site.id)
        context["may"] = {action.name.lower(): actor.may(action, site) for action in Action}
    return context
