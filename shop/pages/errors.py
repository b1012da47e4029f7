"""The pages for what is not there, not allowed, or broken. They ask the database nothing."""

from django.http import HttpRequest, HttpResponse
from django.template.loader import render_to_string


def bad_request(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return _page(400, "That request could not be read", "Go back, load the page again and repeat it.")


def forbidden(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return _page(403, "That is not yours to do", "Somebody with another role at this site can.")


def form_too_old(request: HttpRequest, reason: str = "") -> HttpResponse:
    """Django's answer to a form without its token: the cookie is gone or the form was not ours."""
    return _page(
        403,
        "This form is too old",
        "You were logged out or in meanwhile, or cookies are off. Load the page again; nothing was done.",
    )


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return _page(
        404, "There is no such thing here", "The address is mistyped, or it belongs to another site."
    )


def broken(request: HttpRequest) -> HttpResponse:
    return _page(
        500,
        "Something broke on our side",
        "What you keyed in last may not have been kept: look before you repeat it. The log has the reason.",
    )


def _page(status: int, title: str, text: str) -> HttpResponse:
    body = render_to_string("shop/error.html", {"title": title, "text": text})
    return HttpResponse(body, status=status)
