"""Logging in, the choice of site, logging out."""

import pytest
from django.test import Client
from django.urls import reverse

from shop.models import Membership, Role
from tests.ui.pages import text_of

pytestmark = pytest.mark.django_db
PASSWORD = "thin leaf passes the gap"


@pytest.fixture
def ines(technician):
    technician.set_password(PASSWORD)
    technician.save()
    return technician


@pytest.fixture
def client():
    return Client()


def log_in(client, password=PASSWORD, **more):
    return client.post(reverse("login"), {"username": "ines", "password": password, **more})


def test_a_password_manager_knows_both_fields(client):
    page = client.get(reverse("login")).content.decode()
    assert 'autocomplete="username"' in page
    assert 'autocomplete="current-password"' in page
    assert "onpaste" not in page


def test_with_one_site_one_lands_on_its_board(client, ines, site):
    response = log_in(client)
    assert response.status_code == 302
    board = client.get(response["Location"], follow=True)
    assert board.redirect_chain == [(reverse("board", args=[site.code]), 302)]
    assert "Bays at North Yard" in text_of(board)


def test_with_several_sites_one_chooses(client, ines, site, other_site):
    Membership.objects.create(user=ines, site=other_site, role=Role.MANAGER)
    response = client.get(log_in(client)["Location"])
    page = response.content.decode()
    assert response.status_code == 200
    for each in (site, other_site):
        assert f'href="{reverse("board", args=[each.code])}"' in page
    assert "Harbour Street" in text_of(client.get(reverse("board", args=[other_site.code])))


def test_without_a_site_one_is_told_whom_to_ask(client, ines):
    Membership.objects.filter(user=ines).delete()
    assert "Ask the shop’s manager" in text_of(client.get(log_in(client)["Location"]))


def test_a_wrong_password_says_so_and_keeps_the_name(client, ines):
    response = log_in(client, password="thick leaf stops")
    page = response.content.decode()
    assert "This name and password do not belong together." in page
    assert 'role="alert"' in page
    assert 'value="ines"' in page
    assert "thick leaf stops" not in page


def test_a_closed_log_in_is_not_let_in(client, ines):
    ines.is_active = False
    ines.save()
    assert "do not belong together" in text_of(log_in(client))


def test_one_is_brought_to_where_one_wanted_to_go(client, ines, site):
    wanted = reverse("stock", args=[site.code])
    asked = client.get(wanted)
    assert asked["Location"] == f"{reverse('login')}?next={wanted}"
    assert f'name="next" value="{wanted}"' in client.get(asked["Location"]).content.decode()
    assert log_in(client, next=wanted)["Location"] == wanted


@pytest.mark.parametrize("elsewhere", ["https://shop.example/", "//shop.example/", "javascript:alert(1)"])
def test_but_never_to_another_service(client, ines, elsewhere):
    assert log_in(client, next=elsewhere)["Location"] == "/"


def test_the_session_is_a_new_one_after_logging_in(client, ines):
    client.get(reverse("login"))
    session = client.session
    session["seen"] = "before"
    session.save()
    client.cookies["sid"] = session.session_key
    log_in(client)
    assert client.session.session_key != session.session_key


def test_logging_out_takes_a_button_and_ends_the_session(client, ines, site):
    log_in(client)
    cookie = client.cookies["sid"].value
    assert client.get(reverse("logout")).status_code == 405
    assert client.post(reverse("logout")).status_code == 302
    again = Client()
    again.cookies["sid"] = cookie
    assert again.get(reverse("board", args=[site.code])).status_code == 302


def test_a_person_who_lost_the_site_meanwhile_no_longer_sees_it(client, ines, site):
    log_in(client)
    Membership.objects.filter(user=ines).delete()
    assert client.get(reverse("board", args=[site.code])).status_code == 404


def test_nothing_is_said_twice(bay_tablet, shop):
    """What was done is told on the next page, and gone on the one after."""
    response = bay_tablet.post("make_plan", shop.jobs["planned"].pk, version=shop.jobs["planned"].version)
    assert "Plan 2 is made." in text_of(response)
    assert "Plan 2 is made." not in text_of(bay_tablet.get("plan", shop.jobs["planned"].pk))
