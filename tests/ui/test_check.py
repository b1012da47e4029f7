"""The page that is looked at before a cover comes off."""

import re
from html import unescape
from urllib.parse import parse_qsl, urlparse

import pytest

from inventory.models import Need
from tests.jobs.past import took_the_last
from tests.ui.pages import fields_of, text_of

pytestmark = pytest.mark.django_db


def asked(browser, vehicle):
    return browser.get("check", vehicle=vehicle.pk)


def links_of(response, part):
    return [link for link in re.findall('href="([^"]*)"', response.content.decode()) if part in link]


def test_it_is_reached_from_the_bays_a_vehicle_and_opening_a_job(shop, bay_tablet):
    vehicle = shop.jobs["signed_off"].vehicle
    address = bay_tablet.address("check")
    assert address in links_of(bay_tablet.get("board"), address)
    assert f"{address}?vehicle={vehicle.pk}" in links_of(bay_tablet.get("vehicle", vehicle.pk), address)
    assert address in links_of(bay_tablet.get("open_job"), address)


def test_before_anything_is_chosen_it_asks_and_cautions(shop, bay_tablet):
    page = bay_tablet.get("check")
    assert {"vehicle", "engine_type"} <= fields_of(page).keys()
    assert "stone cold" in text_of(page)


def test_a_technician_reads_the_answer(shop, bay_tablet):
    said = text_of(asked(bay_tablet, shop.jobs["signed_off"].vehicle))
    assert "1 of 1 case nothing has to be bought: 100 %" in said
    assert "(20 % to 100 %) without buying" in said
    assert "That is little to go by" in said
    assert "As it was left" in said
    assert "stone cold" in said
    assert "Here" in said
    assert "Open a job" in said


def test_an_engine_type_alone(shop, bay_tablet):
    said = text_of(bay_tablet.get("check", engine_type=shop.workshop.engine.pk))
    assert "taken to be like the past engines of type Invented twin-4 as they came in" in said


def test_no_history_no_figure(workshop, bay_tablet):
    said = text_of(bay_tablet.get("check", engine_type=workshop.engine.pk))
    assert "nothing to go by" in said
    assert "look at the drawer yourself" in said
    assert "%" not in said


def test_where_a_job_is_open_its_own_readings_count(shop, bay_tablet):
    job = shop.jobs["open"]
    page = asked(bay_tablet, job.vehicle)
    assert f"{job} is open on it" in text_of(page)
    assert links_of(page, str(job.pk))


def test_what_is_missing_goes_on_the_list_by_whom_may_buy(workshop, bay_tablet, counter_screen):
    vehicle = took_the_last(workshop)
    page = asked(bay_tablet, vehicle)
    assert "Missing" in text_of(page)
    assert links_of(page, bay_tablet.address("add_need")) == []
    (link,) = links_of(asked(counter_screen, vehicle), counter_screen.address("add_need"))
    keyed = dict(parse_qsl(urlparse(unescape(link)).query))
    form = counter_screen.get("add_need", **keyed)
    fields = fields_of(form)
    assert (fields["quantity"], fields["family"]) == ("1", str(workshop.family.pk))
    counter_screen.post("add_need", **{name: fields[name] for name in (*keyed, "once")})
    (need,) = Need.objects.filter(origin=Need.Origin.HAND)
    assert need.note == f"Check before the cover comes off: {vehicle.registration}"
    assert "1 on the list" in text_of(asked(counter_screen, vehicle))


def test_another_sites_vehicle_is_not_found(shop, bay_tablet, foreign, other_site):
    assert foreign.get("check").status_code == 404
    vehicle = shop.jobs["signed_off"].vehicle
    vehicle.site = other_site
    vehicle.save()
    missing = "0190b0a0-0000-7000-8000-000000000000"
    for query in ({"vehicle": vehicle.pk}, {"vehicle": missing}, {"vehicle": "x"}, {"engine_type": missing}):
        assert bay_tablet.get("check", **query).status_code == 404
