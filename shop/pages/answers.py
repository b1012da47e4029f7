"""How a page answers once its service has done the act."""

from collections.abc import Mapping
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponseRedirect
from django.shortcuts import resolve_url


class SeeOther(HttpResponseRedirect):
    """303: the browser fetches the page that shows what was done; loading that again posts nothing twice."""

    status_code = 303


def done(
    request: HttpRequest, sentence: str, to: str, *args: object, query: Mapping[str, object] | None = None
) -> SeeOther:
    """Say what was done and go on to the named page, with what it is asked."""
    messages.success(request, sentence)
    asked = f"?{urlencode(query)}" if query else ""
    return SeeOther(resolve_url(to, *args) + asked)
