"""Where "what was done" waits for the next page: a signed cookie, so that showing it writes nothing."""

from django.conf import settings
from django.contrib.messages.storage.cookie import CookieStorage


class ToldStorage(CookieStorage):
    """Django's cookie, under a name that a browser takes from this very host over TLS only (ASVS 3.3.3)."""

    cookie_name = "__Host-told" if settings.PRODUCTION else "told"
