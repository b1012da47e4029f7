"""Pages for what is not there, not allowed, broken or busy; and the headers of every answer (bar S4)."""

import pytest
from django.db import OperationalError
from django.test import Client, override_settings
from django.urls import include, path
from django.views.decorators.http import require_safe

from shop.errors import Busy, Conflict, Forbidden, NotFound
from shop.pages.views import page
from shop.roles import Action
from shop.urls import handler400, handler403, handler404, handler500
from tests.ui.pages import text_of
from tests.ui.walk import pages_of

pytestmark = pytest.mark.django_db

__all__ = ["handler400", "handler403", "handler404", "handler500"]

POLICY = {
    "default-src 'none'",
    "script-src 'self'",
    "style-src 'self'",
    "img-src 'self' data:",
    "font-src 'self'",
    "connect-src 'self'",
    "form-action 'self'",
    "base-uri 'none'",
    "object-src 'none'",
    "frame-ancestors 'none'",
}
RAISED = {
    "busy": Busy("The shop's database is busy just now; nothing was changed. Try again."),
    "locked": OperationalError("database is locked"),
    "forbidden": Forbidden("Your role may not do this."),
    "missing": NotFound("There is no such job here."),
    "conflict": Conflict("Two people at once."),
    "broken": ZeroDivisionError("a mistake of ours with a secret in it"),
}


@page(see=Action.READ)
@require_safe
def raising(request, site, what):
    raise RAISED[what]


urlpatterns = [
    path("at/<slug:site>/raise/<slug:what>", raising),
    path("", include("shop.urls")),
]


def has_the_headers(response):
    policy = {part.strip() for part in response["Content-Security-Policy"].split(";")}
    assert policy == POLICY
    assert response["X-Content-Type-Options"] == "nosniff"
    assert response["Referrer-Policy"] == "same-origin"
    assert response["X-Frame-Options"] == "DENY"


@pytest.fixture
def raised(office, site):
    office.client.raise_request_exception = False

    def ask(what):
        with override_settings(ROOT_URLCONF=__name__):
            return office.client.get(f"/at/{site.code}/raise/{what}")

    return ask


@pytest.mark.parametrize(
    ("what", "status", "says"),
    [
        ("busy", 503, "is busy just now"),
        ("locked", 503, "is busy just now. Nothing was changed"),
        ("forbidden", 403, "Your role may not do this."),
        ("missing", 404, "There is no such job here."),
        ("conflict", 409, "Two people at once."),
        ("broken", 500, "Something broke on our side"),
    ],
)
def test_what_a_view_raises_becomes_a_page_in_plain_words(raised, what, status, says):
    response = raised(what)
    assert response.status_code == status
    assert says in text_of(response)
    assert response["Content-Type"].startswith("text/html")
    assert "Traceback" not in text_of(response)
    assert "secret" not in text_of(response)
    has_the_headers(response)


def test_what_may_be_tried_again_says_when(raised):
    assert raised("busy")["Retry-After"] == "2"


def test_an_address_that_nobody_has(client):
    response = client.get("/nowhere")
    assert response.status_code == 404
    assert "There is no such thing here" in text_of(response)
    has_the_headers(response)


@pytest.mark.parametrize("address", ["/at/north/vehicles?q=%00", "/at/north/%00", "/at/north/jobs?state=%00"])
def test_a_nul_in_an_address_is_no_mistake_of_ours(office, address):
    response = office.client.get(address)
    assert response.status_code in (400, 404)
    has_the_headers(response)


@pytest.mark.parametrize("page_number", ["0", "-1", "x", "9999999999999999999999"])
def test_a_leaf_that_is_not_there_is_the_nearest_one(office, shop, page_number):
    assert office.get("movements", page=page_number).status_code == 200


def test_a_host_that_is_not_ours(office):
    response = office.client.get("/", headers={"host": "elsewhere.example"})
    assert response.status_code == 400
    assert "could not be read" in text_of(response)


def test_every_page_has_the_headers(shop, office):
    for _, address in pages_of(shop.site):
        has_the_headers(office.client.get(address))
    has_the_headers(Client().get("/log-in"))


@pytest.mark.parametrize("file", ["shop/css/tokens.css", "shop/js/walk.js", "django_htmx/htmx-2.min.js"])
def test_static_files_have_them_too(client, file):
    response = client.get(f"/static/{file}")
    assert response.status_code == 200
    assert b"".join(response.streaming_content)
    response.close()
    has_the_headers(response)


def test_a_page_behind_the_log_in_is_nobody_elses(shop, office):
    """14.3.2: no shared cache may keep it, and the browser asks again."""
    for _, address in list(pages_of(shop.site))[:12]:
        kept = office.client.get(address)["Cache-Control"]
        assert "private" in kept
        assert "no-cache" in kept or "no-store" in kept
