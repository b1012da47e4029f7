"""The board of bays, opening a job, vehicles and their history."""

from datetime import UTC, datetime

import pytest

from jobs.models import Job, Vehicle
from shop.models import Bay
from tests.jobs.shop import make_engine
from tests.ui.pages import fields_of, text_of, wrong_fields

pytestmark = pytest.mark.django_db


def test_the_board_says_what_each_bay_waits_for_and_what_comes_next(bay_tablet, shop):
    words = text_of(bay_tablet.get("board"))
    assert "4 readings to be keyed in Key in readings in Bay 1" in words
    assert "its shims to be held Look at the plan in Bay 2" in words
    assert "its shims to be fitted" in words
    assert "1 tight, 3 in spec" in words
    assert "to buy See what it waits for" in words
    assert "1 reading after the fit Measure again" in words


def test_once_everything_is_read_the_next_step_is_the_plan(bay_tablet, workshop):
    workshop.read(workshop.job(), {"1-IN": "5 thou", "1-EX": "11 thou", "2-IN": "8 thou", "2-EX": "12 thou"})
    assert "Waits for a plan Plan in Bay 1" in text_of(bay_tablet.get("board"))


def test_a_free_bay_offers_to_open_a_job(bay_tablet, counter_screen, workshop):
    bay = workshop.bay()
    page = bay_tablet.get("board").content.decode()
    assert f'href="{bay_tablet.address("open_job")}?bay={bay.pk}"' in page
    assert "Open a job" not in text_of(counter_screen.get("board"))


@pytest.fixture
def vehicle(workshop):
    return workshop.vehicle("K 900")


@pytest.fixture
def bay(workshop):
    return workshop.bay()


def test_opening_a_job_leads_to_its_readings(bay_tablet, vehicle, bay):
    page = bay_tablet.post(
        "open_job",
        vehicle=vehicle.pk,
        bay=bay.pk,
        unit="mm",
        odometer="40 210 km",
        promised_at="2026-03-02T16:30",
    )
    job = Job.objects.get()
    assert page.redirect_chain == [(bay_tablet.address("readings", job.pk), 303)]
    assert (job.unit, job.odometer) == ("mm", "40 210 km")
    assert job.promised_at == datetime(2026, 3, 2, 16, 30, tzinfo=UTC)


def test_a_time_is_the_sites_time(bay_tablet, site, vehicle, bay):
    site.time_zone = "Europe/Berlin"
    site.save()
    bay_tablet.post("open_job", vehicle=vehicle.pk, bay=bay.pk, unit="thou", promised_at="2026-03-02T16:30")
    assert Job.objects.get().promised_at == datetime(2026, 3, 2, 15, 30, tzinfo=UTC)
    assert "Mon 2 Mar, 16:30" in text_of(bay_tablet.get("board"))


def test_only_free_bays_are_offered(bay_tablet, shop, bay):
    page = bay_tablet.get("open_job").content.decode()
    assert f'<option value="{bay.pk}"' in page
    assert f'<option value="{shop.jobs["open"].bay.pk}"' not in page


def test_a_taken_bay_is_said_and_nothing_keyed_is_lost(bay_tablet, shop, vehicle):
    taken = shop.jobs["open"].bay
    page = bay_tablet.post("open_job", vehicle=vehicle.pk, bay=taken.pk, unit="thou", note="noisy")
    assert page.status_code == 409
    assert "Bay 1 is taken by Job 1" in text_of(page)
    shown = fields_of(page)
    assert (shown["vehicle"], shown["bay"], shown["note"]) == (str(vehicle.pk), str(taken.pk), "noisy")


def test_a_second_tap_opens_one_job(bay_tablet, vehicle, bay):
    data = {"vehicle": vehicle.pk, "bay": bay.pk, "unit": "thou"}
    bay_tablet.post("open_job", **data)
    assert bay_tablet.post("open_job", **data).status_code == 409
    assert Job.objects.count() == 1


def test_what_was_chosen_before_is_chosen_already(bay_tablet, vehicle, bay):
    shown = fields_of(bay_tablet.get("open_job", vehicle=vehicle.pk, bay=bay.pk))
    assert (shown["vehicle"], shown["bay"]) == (str(vehicle.pk), str(bay.pk))


def test_another_sites_bay_and_vehicle_cannot_be_named(bay_tablet, vehicle, bay, other_site, service):
    theirs = Bay.objects.create(site=other_site, number=1)
    page = bay_tablet.post("open_job", vehicle=vehicle.pk, bay=theirs.pk, unit="thou")
    assert page.status_code == 400
    assert wrong_fields(page) == ["bay"]
    assert "Harbour" not in text_of(page)


class TestVehicles:
    def test_a_new_one_goes_on_to_its_job_in_the_bay_that_was_chosen(self, bay_tablet, workshop, bay):
        page = bay_tablet.client.post(
            f"{bay_tablet.address('new_vehicle')}?bay={bay.pk}",
            {"registration": "  ab  12 ", "description": "grey kombi", "engine_type": workshop.engine.pk},
            follow=True,
        )
        vehicle = Vehicle.objects.get()
        assert vehicle.registration == "AB 12"
        shown = fields_of(page)
        assert (shown["vehicle"], shown["bay"]) == (str(vehicle.pk), str(bay.pk))

    def test_the_counter_enters_one_and_sees_it(self, counter_screen, workshop):
        page = counter_screen.post(
            "new_vehicle", registration="AB 12", description="kombi", engine_type=workshop.engine.pk
        )
        assert page.redirect_chain == [(counter_screen.address("vehicle", Vehicle.objects.get().pk), 303)]

    def test_one_that_is_known_is_said(self, bay_tablet, workshop, vehicle):
        page = bay_tablet.post(
            "new_vehicle",
            registration=vehicle.registration.lower(),
            description="again",
            engine_type=workshop.engine.pk,
        )
        assert page.status_code == 409
        assert f"{vehicle.registration} is known here already: touring machine." in text_of(page)
        assert fields_of(page)["description"] == "again"

    def test_what_is_missing_is_named(self, bay_tablet, workshop):
        page = bay_tablet.post("new_vehicle", registration="AB 1")
        assert page.status_code == 400
        assert wrong_fields(page) == ["description"]

    @pytest.mark.parametrize("sought", ["k 9", "TOURING", "900"])
    def test_are_found_by_registration_or_description(self, bay_tablet, vehicle, sought):
        assert vehicle.registration in text_of(bay_tablet.get("vehicles", q=sought))

    def test_what_is_not_found_is_said(self, bay_tablet, vehicle):
        assert "No vehicle here is called “zz”." in text_of(bay_tablet.get("vehicles", q="zz"))

    def test_history_says_what_was_fitted(self, bay_tablet, shop):
        words = text_of(bay_tablet.get("vehicle", shop.jobs["signed_off"].vehicle_id))
        assert "1-IN 2.650 →" in words


def test_an_engine_of_two_banks_and_one_with_five_valves_a_cylinder_are_drawn(bay_tablet, workshop):
    for code, shape in (
        ("vee", {"cylinders": 6, "banks": 2, "intake": 2, "exhaust": 2}),
        ("five", {"cylinders": 3, "intake": 3, "exhaust": 2}),
    ):
        engine = make_engine(workshop.family, code, **shape)
        job = workshop.job(vehicle=workshop.vehicle(code.upper(), engine=engine))
        html = bay_tablet.get("readings", job.pk).content.decode()
        assert html.count('class="cylinder"') == shape["cylinders"]
        assert html.count('name="passes-') == shape["cylinders"] * (shape["intake"] + shape["exhaust"])
        workshop.read(job, {valve.label: "8 thou" for valve in job.valves.all()})
        workshop.planned(job)
        assert bay_tablet.get("plan", job.pk).status_code == 200


class TestAnEngineInNoList:
    KEYED = {
        "unit": "mm",
        "spec_source": "handbook, page 40",
        "intake_min": "0.15",
        "intake_max": "0.25",
        "exhaust_min": "10 thou",
        "exhaust_max": "14 thou",
        "cylinders": "2",
        "banks": "1",
        "intake_per_cylinder": "1",
        "exhaust_per_cylinder": "1",
    }

    def test_is_entered_without_a_type_and_opened_by_hand(self, bay_tablet, workshop):
        bay = workshop.bay()
        page = bay_tablet.post("new_vehicle", registration="old 2", description="a veteran")
        vehicle = Vehicle.objects.get()
        assert page.redirect_chain[0][0].startswith(bay_tablet.address("open_by_hand"))
        bay_tablet.post(
            "open_by_hand",
            vehicle=vehicle.pk,
            bay=bay.pk,
            family=workshop.family.code,
            **self.KEYED,
        )
        job = Job.objects.get()
        assert [valve.label for valve in job.valves.order_by("order")] == ["1-IN", "1-EX", "2-IN", "2-EX"]
        assert job.valves.get(label="1-IN").min_keyed == "0.15 mm"
        for name in ("job", "readings", "shims", "plan", "paper", "fitting", "sign_off"):
            assert bay_tablet.get(name, job.pk).status_code == 200
        assert "In no list, keyed by hand" in text_of(bay_tablet.get("job", job.pk))
        assert "In no list" in text_of(bay_tablet.get("vehicle", vehicle.pk))
        assert "In no list" in text_of(bay_tablet.get("vehicles"))
        assert bay_tablet.get("board").status_code == 200

    def test_wrong_figures_are_named_at_their_fields(self, bay_tablet, workshop, vehicle):
        wrong = self.KEYED | {"intake_min": "0.30", "spec_source": " ", "cylinders": "3", "banks": "2"}
        page = bay_tablet.post("open_by_hand", vehicle=vehicle.pk, family=workshop.family.code, **wrong)
        assert wrong_fields(page) == ["spec_source", "cylinders"]
        wrong |= {"spec_source": "handbook", "cylinders": "2"}
        page = bay_tablet.post("open_by_hand", vehicle=vehicle.pk, family=workshop.family.code, **wrong)
        assert wrong_fields(page) == ["intake_min"]
        assert not Job.objects.exists()
