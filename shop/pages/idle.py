"""A tablet that nobody touches locks itself; the day's log-in ends after some hours whatever happens.

When somebody last asked for a page stands in a cookie that is signed for its session, so that looking at
pages writes nothing to the database. What a page asks by itself (X-Unattended) does not count. The page warns
before the time is over (shop/js/idle.js), and half-keyed figures outlive the lock (shop/js/drafts.js).
"""

import time
from collections.abc import Callable
from urllib.parse import urlencode, urlsplit

from django.conf import settings
from django.contrib.auth import logout
from django.core.signing import BadSignature, Signer
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import resolve_url
from django_htmx.http import HttpResponseClientRedirect

from shop.conf import conf

COOKIE = "__Host-seen" if settings.PRODUCTION else "seen"
SINCE = "since"  # in the session: when the person logged in
UNATTENDED = "X-Unattended"
_RENEWED_AFTER = 0.01  # of the idle time: not for every picture of a page


def note_log_in(request: HttpRequest, **_more: object) -> None:
    """Connected to Django's signal in shop/apps.py: every way to log in begins the idle time."""
    request.session[SINCE] = int(time.time())


class IdleMiddleware:
    """Ends a session that was idle for too long before its page's view runs, and leads whoever has to log in
    back to the page where they were."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if settings.SESSION_COOKIE_NAME not in request.COOKIES:
            return self.get_response(request)
        since = request.session.get(SINCE)
        idle, now = conf.idle_time.total_seconds(), int(time.time())
        seen = max(since or 0, _last_seen(request))
        if since is not None and now - seen > idle:
            logout(request)
        response = self.get_response(request)
        if _leads_to_log_in(request, response):
            return _and_back(request)
        kept = since is not None and request.session.get(SINCE) == since
        if kept and UNATTENDED not in request.headers and now - seen >= idle * _RENEWED_AFTER:
            _note(request, response, now)
        return response


def _last_seen(request: HttpRequest) -> int:
    """When the cookie says that somebody last asked for a page; 0 for one that is not this session's."""
    try:
        return int(_signer(request).unsign(request.COOKIES.get(COOKIE, "")))
    except (BadSignature, ValueError):
        return 0


def _note(request: HttpRequest, response: HttpResponse, now: int) -> None:
    response.set_cookie(
        COOKIE,
        _signer(request).sign(str(now)),
        httponly=True,
        samesite="Lax",
        secure=settings.SESSION_COOKIE_SECURE,
    )


def _signer(request: HttpRequest) -> Signer:
    return Signer(salt=f"shop.pages.idle {request.session.session_key}")


def _leads_to_log_in(request: HttpRequest, response: HttpResponse) -> bool:
    """Whether a page that was sent something, or a part of one, is answered with the log-in. It would come
    back to an address that only takes a POST, or stand inside the page."""
    log_in = resolve_url(settings.LOGIN_URL)
    asked_in_part = "HX-Request" in request.headers or request.method == "POST"
    return (
        asked_in_part
        and isinstance(response, HttpResponseRedirect)
        and urlsplit(response.url).path == log_in != request.path
        and request.path != resolve_url("logout")
    )


def _and_back(request: HttpRequest) -> HttpResponse:
    address = request.headers.get("HX-Current-URL") or request.headers.get("Referer") or "/"
    to = f"{resolve_url(settings.LOGIN_URL)}?{urlencode({'next': urlsplit(address).path}, safe='/')}"
    return HttpResponseClientRedirect(to) if "HX-Request" in request.headers else HttpResponseRedirect(to)
