"""Who asks, at which site, and may they: settled once, before a page's view runs.

A page's address names its site (/at/<code>/…), so two tabs at two sites never mix. A site of which the person
is no member is answered like one that does not exist.
"""

from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseNotAllowed
from django.utils import timezone
from django.utils.cache import patch_cache_control
from django_htmx.middleware import HtmxDetails

from shop.actor import Actor
from shop.errors import Forbidden
from shop.models import Membership, Site, User
from shop.pages.refusals import refusal_page
from shop.pages.views import PageView, rules_of


class PageRequest(HttpRequest):
    """A request for a page, by somebody who is logged in, as its view gets it."""

    user: User
    htmx: HtmxDetails
    request_id: str
    actor: Actor
    memberships: list[Membership]
    site: Site


class PeopleMiddleware:
    """Gives a page's request `actor` and `memberships`, turns a `site` code in its address into the Site, and
    refuses what the view's rules (shop.pages.views) do not allow."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        try:
            response = self.get_response(request)
        finally:
            timezone.deactivate()
        if hasattr(request, "actor"):
            # A page that somebody had to log in for is kept by nobody else, and asked for again.
            patch_cache_control(response, private=True, no_cache=True)
        return response

    def process_view(
        self, request: PageRequest, view: PageView, args: tuple[Any, ...], kwargs: dict[str, Any]
    ) -> HttpResponse | None:
        if request.path.startswith("/api/") or not getattr(view, "login_required", True):
            return None
        request.memberships = list(request.user.memberships.select_related("site").order_by("site__name"))
        request.actor = Actor(
            user=request.user,
            roles={membership.site_id: membership.role for membership in request.memberships},
            request_id=request.request_id,
        )
        if "site" not in kwargs:
            return None
        kwargs["site"] = request.site = _site(request, kwargs["site"])
        # Times are keyed and shown as the clock on that workshop's wall has them.
        timezone.activate(ZoneInfo(request.site.time_zone))
        return _refuse_unless_allowed(request, view)


def _site(request: PageRequest, code: str) -> Site:
    for membership in request.memberships:
        if membership.site.code == code:
            return membership.site
    raise Http404(f"no site {code} for {request.user.pk}")


def _refuse_unless_allowed(request: PageRequest, view: PageView) -> HttpResponse | None:
    rules = rules_of(view)
    action = rules.action_for(request.method)
    if action is None:
        return HttpResponseNotAllowed(rules.methods)
    if not request.actor.may(action, request.site):
        return refusal_page(request, Forbidden(f"Your role at {request.site} may not {action.label}."))
    return None
