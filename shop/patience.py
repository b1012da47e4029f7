"""A client that goes quiet in the middle of its request, or of an answer, does not keep a server's thread."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from shop.conf import conf


class PatienceMiddleware:
    """How long a read from the client or a write to it may take. gunicorn has a thread wait for ever, so that
    as many half-sent bodies as there are threads would stop it; other servers have limits of their own.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        connection = request.META.get("gunicorn.socket")
        if connection is not None:
            connection.settimeout(conf.client_patience_seconds)
        return self.get_response(request)
