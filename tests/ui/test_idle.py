"""The lock of a tablet that nobody touches: when it falls, what keeps it open, where one comes back to."""

import time

import pytest
import time_machine
from django.test import Client

from shop.conf import conf
from tests.jobs.shop import AT, HOUR

pytestmark = pytest.mark.django_db
NOW = AT + HOUR


@pytest.fixture
def later():
    """Go on to so many seconds from now, as the clock has it."""
    with time_machine.travel(NOW, tick=False) as traveller:
        yield lambda seconds: traveller.shift(seconds)


@pytest.fixture
def idle():
    return conf.idle_time.total_seconds()


def logged_out(response):
    return response.status_code == 302 and response["Location"].startswith("/log-in?next=")


def test_half_an_hour_is_the_default():
    assert conf.idle_time.total_seconds() == 30 * 60


def test_it_falls_after_the_idle_time_and_not_before(later, bay_tablet, idle):
    assert bay_tablet.get("board").status_code == 200
    later(idle)
    assert bay_tablet.get("board").status_code == 200
    later(idle + 1)
    assert logged_out(bay_tablet.get("board"))


def test_the_session_is_over_on_the_server(later, bay_tablet, idle):
    cookies = bay_tablet.client.cookies.copy()
    later(idle + 1)
    bay_tablet.get("board")
    again = Client()
    again.cookies = cookies
    assert again.get(bay_tablet.address("board")).status_code == 302


def test_every_page_that_is_asked_for_keeps_it_open(later, bay_tablet, idle):
    for _ in range(5):
        later(idle - 10)
        assert bay_tablet.get("board").status_code == 200


def test_what_a_page_asks_by_itself_does_not(later, bay_tablet, idle):
    for _ in range(4):
        later(idle / 4)
        bay_tablet.client.get(bay_tablet.address("board"), headers={"X-Unattended": "yes"})
    later(1)
    assert logged_out(bay_tablet.get("board"))


@pytest.mark.parametrize("forged", ["", "x", "9999999999", "9999999999:forged", "9999999999:a:b"])
def test_a_forged_cookie_keeps_nothing_open(later, bay_tablet, idle, forged):
    later(idle + 1)
    bay_tablet.client.cookies["seen"] = forged
    assert logged_out(bay_tablet.get("board"))


def test_another_sessions_cookie_keeps_nothing_open(later, bay_tablet, office, idle):
    later(idle - 5)
    office.get("board")
    stolen = office.client.cookies["seen"].value
    later(6)
    bay_tablet.client.cookies["seen"] = stolen
    assert logged_out(bay_tablet.get("board"))


def test_after_the_days_end_it_is_over_however_busy(later, bay_tablet, settings, idle):
    asked_for = 0
    while asked_for <= settings.SESSION_COOKIE_AGE:
        asked_for += idle - 60
        later(idle - 60)
        response = bay_tablet.get("board")
    assert logged_out(response)


def test_a_form_that_was_sent_too_late_leads_back_to_its_page(later, bay_tablet, workshop, idle):
    job = workshop.job()
    page = bay_tablet.address("readings", job.pk)
    later(idle + 1)
    response = bay_tablet.client.post(page, {}, headers={"referer": f"http://testserver{page}"})
    assert response.status_code == 302
    assert response["Location"] == f"/log-in?next={page}"


def test_a_field_that_was_sent_too_late_shows_the_log_in_instead_of_standing_in_it(
    later, bay_tablet, workshop, idle
):
    job = workshop.job()
    page = bay_tablet.address("readings", job.pk)
    later(idle + 1)
    headers = {"HX-Request": "true", "HX-Current-URL": f"http://testserver{page}"}
    response = bay_tablet.client.post(page, {}, headers=headers)
    assert response.status_code == 200
    assert response["HX-Redirect"] == f"/log-in?next={page}"
    assert response.content == b""


def test_the_cookie_is_for_the_server_alone(later, bay_tablet):
    later(60)
    bay_tablet.get("board")
    cookie = bay_tablet.client.cookies["seen"]
    assert cookie["httponly"]
    assert cookie["samesite"] == "Lax"
    assert str(int(time.time())) in cookie.value


def test_the_page_knows_when_it_locks(bay_tablet, idle):
    assert f'data-idle="{int(idle)}"' in bay_tablet.get("board").content.decode()
