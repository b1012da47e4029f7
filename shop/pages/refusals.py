"""The pages' one translator of refusals: what a service raises becomes a sentence where the person looks.

A view that shows a form calls a service and catches nothing. Where the service refuses, the same form is
shown again with what was keyed in and the refusal in it, a button's refusal on the page that has the button
(both as `shop.pages.views.page` says); anything else is a plain page that says what was refused.
"""

from collections.abc import Callable
from typing import Any

from django.db import DatabaseError, InterfaceError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from shop.db import Failure, classify
from shop.errors import Busy, ShopError
from shop.pages.errors import bad_request
from shop.pages.views import PageView, rules_of

# What the person can put right on the page where they are. 403, 404 and 503 are pages of their own.
PUT_RIGHT_HERE = frozenset({400, 409, 412, 422})
TITLES = {403: "That is not yours to do", 404: "There is no such thing here", 503: "Busy just now"}


class RefusalMiddleware:
    """Answers every ShopError that a page's view raises, and a database that is away or overloaded."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        # PostgreSQL takes no NUL, and no person keys one in.
        if "%00" in request.META.get("QUERY_STRING", "") or "\0" in request.path_info:
            return bad_request(request)
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        if request.path.startswith("/api/"):
            return None
        refusal = _as_refusal(error)
        if refusal is None:
            return None
        page = rules_of(request.resolver_match.func).refused_on
        if page is None or refusal.status not in PUT_RIGHT_HERE:
            return refusal_page(request, refusal)
        return _again(page, request, refusal)


def refusal_page(request: HttpRequest, refusal: ShopError) -> HttpResponse:
    """A page with nothing but the refusal and the way back."""
    context = {"title": TITLES.get(refusal.status, "That was not done"), "refusal": refusal}
    response = render(request, "shop/refused.html", context, status=refusal.status)
    if refusal.status == 503:
        response["Retry-After"] = "2"
    return response


def _again(page: PageView, request: HttpRequest, refusal: ShopError) -> HttpResponse:
    match = request.resolver_match
    kwargs: dict[str, Any] = dict(match.kwargs)
    if "site" in kwargs:
        kwargs["site"] = request.site  # type: ignore[attr-defined]
    try:
        response = page(request, *match.args, **kwargs, refusal=refusal)
    except ShopError as second:  # the thing itself is gone meanwhile
        return refusal_page(request, second)
    response.status_code = refusal.status
    return response


def _as_refusal(error: Exception) -> ShopError | None:
    if isinstance(error, ShopError):
        return error
    if isinstance(error, DatabaseError | InterfaceError) and classify(error) is not Failure.OTHER:
        return Busy("The shop's database is busy just now. Nothing was changed; try again in a moment.")
    return None
