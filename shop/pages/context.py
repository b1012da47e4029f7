"""What the page frame shows on every page."""

from typing import Any

from django.http import HttpRequest

from shop.roles import Action


def page_frame(request: HttpRequest) -> dict[str, Any]:
    """`site`, `memberships` and `may`, by action in small letters; nothing where nobody is logged in."""
    actor = getattr(request, "actor", None)
    if actor is None:
        return {}
    site = getattr(request, "site", None)
    context: dict[str, Any] = {"memberships": request.memberships}  # type: ignore[attr-defined]
    if site is not None:
        context["site"] = site
        context["role"] = next(m.get_role_display() for m in context["memberships"] if m.site_id == site.id)
        context["may"] = {action.name.lower(): actor.may(action, site) for action in Action}
    return context
