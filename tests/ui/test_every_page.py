"""Every page for everybody: who is let in, what another site sees, and what no page ever does."""

import re

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from shop.pages.views import rules_of
from shop.roles import ALLOWED, Action
from tests.ui.walk import pages_of

pytestmark = pytest.mark.django_db

PUBLIC = {"healthz", "readyz", "log-in"}
OF_ALL_SITES = {"", "you", "log-out"}
WRITES = ("INSERT", "UPDATE", "DELETE")


def routes(resolver=None, before=""):
    """Every (address pattern, pattern) outside the API."""
    for entry in (resolver or get_resolver()).url_patterns:
        address = before + str(entry.pattern)
        if address.startswith("api/"):
            continue
        if isinstance(entry, URLResolver):
            yield from routes(entry, address)
        elif isinstance(entry, URLPattern):
            yield address, entry


def view_of(response):
    return response.resolver_match.func


def asked(method, address):
    """The answer, and what was written to give it."""
    with CaptureQueriesContext(connection) as queries:
        response = method(address)
    return response, [one["sql"] for one in queries if one["sql"].lstrip().upper().startswith(WRITES)]


class TestRoutes:
    def test_everything_is_a_site_page_with_rules_or_stands_on_the_short_list(self):
        for address, entry in routes():
            if address.startswith("at/<slug:site>/"):
                rules = rules_of(entry.callback)
                assert rules.see or rules.do, f"{address} declares nothing"
            else:
                assert address in PUBLIC | OF_ALL_SITES, f"{address} belongs to no site"

    def test_only_the_short_list_is_public(self):
        public = {
            address for address, entry in routes() if not getattr(entry.callback, "login_required", True)
        }
        assert public == PUBLIC
        assert len(public) <= 6


def test_every_page_of_a_job_in_every_state_and_all_others_open_and_write_nothing(shop, office):
    pages = dict(pages_of(shop.site))
    assert len(pages) > 80
    walked = set()
    for name, address in pages.items():
        response, written = asked(office.client.get, address)
        assert response.status_code == 200, name
        assert written == [], name
        assert "text/html" in response["Content-Type"]
        assert "manager" in ALLOWED[rules_of(view_of(response)).see], name
        walked.add(view_of(response))
    declared = {
        entry.callback
        for address, entry in routes()
        if address.startswith("at/") and rules_of(entry.callback).see is not None
    }
    # What fit_page shows is the fitting page; the others answer with a file.
    assert {view.__name__ for view in declared - walked} == {
        "fit_page",
        "label_page",
        "export_page",
        "order_paper",
        "history_file",
        "stock_then_file",
        "journeys_file",
        "story_file",
        "job_history_file",
    }


def test_nobody_is_let_in_without_logging_in(shop):
    for name, address in pages_of(shop.site):
        response = Client().get(address)
        assert response.status_code == 302, name
        assert response["Location"].startswith(reverse("login") + "?next=")


def test_another_sites_pages_are_not_there(shop, foreign):
    missing = foreign.client.get("/at/nowhere/stock")
    assert missing.status_code == 404
    for name, address in pages_of(shop.site):
        response = foreign.client.get(address)
        assert response.status_code == 404, name
        assert response.content == missing.content


def test_another_sites_things_are_not_there_under_ones_own_address(shop, outsider, foreign, other_site):
    for name, address in pages_of(shop.site):
        if re.search(r"/[0-9a-f-]{36}|/inspection/\d", address):
            own = address.replace(f"/at/{shop.site.code}/", f"/at/{other_site.code}/")
            assert foreign.client.get(own).status_code == 404, name


@pytest.mark.parametrize(("person", "role"), [("bay_tablet", "technician"), ("counter_screen", "counter")])
def test_each_role_sees_what_the_table_of_roles_says(shop, request, person, role):
    """What the manager sees, who is allowed all of it, is walked above."""
    browser = request.getfixturevalue(person)
    for name, address in pages_of(shop.site):
        response = browser.client.get(address)
        allowed = role in ALLOWED[rules_of(view_of(response)).see]
        assert response.status_code == (200 if allowed else 403), name


@pytest.mark.parametrize("person", ["bay_tablet", "counter_screen", "office"])
def test_each_role_may_do_what_the_table_of_roles_says(shop, request, person):
    """Posted empty, so that nothing is done: refused for the role, or let through to the form."""
    browser = request.getfixturevalue(person)
    role = {"bay_tablet": "technician", "counter_screen": "counter", "office": "manager"}[person]
    job = shop.jobs["planned"]
    buttons = [
        (name, reverse(name, args=[shop.site.code, job.pk]))
        for name in ("make_plan", "release_plan", "hand_out", "fit")
    ]
    buttons.append(("hold_plan", reverse("hold_plan", args=[shop.site.code, job.pk, job.plans.get().pk])))
    for name, address in [*pages_of(shop.site), *buttons]:
        response = browser.client.post(address)
        do = rules_of(view_of(response)).do
        if do is None:
            assert response.status_code == 405, name
        elif role not in ALLOWED[do]:
            assert response.status_code == 403, name
            assert "may not" in response.content.decode()
        else:
            assert response.status_code not in (403, 405, 500), name


def test_to_ask_for_the_heads_writes_nothing(shop, office, size):
    """Each third page by default; that to look at one writes nothing is seen above."""
    for name, address in list(pages_of(shop.site))[:: size(3, 1)]:
        response, written = asked(office.client.head, address)
        assert response.status_code == 200, name
        assert written == [], name


def test_a_post_without_its_token_is_refused(shop, manager):
    client = Client(enforce_csrf_checks=True)
    client.force_login(manager)
    for name, address in pages_of(shop.site):
        response = client.post(address)
        assert response.status_code == 403, name
        assert "This form is too old" in response.content.decode()


def test_every_action_of_the_pages_is_in_the_table_of_roles():
    for address, entry in routes():
        rules = rules_of(entry.callback)
        assert {rules.see, rules.do} <= {None, *Action}, address
