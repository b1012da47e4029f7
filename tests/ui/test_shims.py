"""The shim sheet: what to pull, a micrometer's figure or a marking, and which valves may be opened."""

import pytest

from jobs.models import JobValve, ShimReading
from tests.ui.pages import fields_of, text_of, wrong_fields

pytestmark = pytest.mark.django_db
READ = {"1-IN": "5 thou", "1-EX": "11 thou", "2-IN": "8 thou", "2-EX": "12 thou"}


@pytest.fixture
def job(workshop):
    return workshop.read(workshop.job(), READ)


def valve(job, label="1-IN"):
    return JobValve.objects.get(job=job, label=label)


def key(browser, job, **keyed):
    return browser.post("shims", job.pk, **fields_of(browser.get("shims", job.pk)) | keyed)


def test_it_says_which_shims_to_pull(bay_tablet, job):
    assert "Pull and measure the shims of 1-IN ." in text_of(bay_tablet.get("shims", job.pk))


def test_a_measured_shim_is_kept_as_keyed(bay_tablet, job):
    page = key(bay_tablet, job, **{"thickness-1-IN": "2.650"})
    assert page.status_code == 200
    assert (valve(job).shim_keyed, valve(job).shim_known_by) == ("2.650 mm", "measured")
    assert fields_of(page)["thickness-1-IN"] == "2.650"


def test_a_shim_in_inches(bay_tablet, job):
    page = key(bay_tablet, job, **{"thickness-1-IN": "0.1043 in"})
    assert valve(job).shim_keyed == "0.1043 in"
    assert fields_of(page)["thickness-1-IN"] == "0.1043 in"


@pytest.mark.parametrize("keyed", ["2650", "2.650", "2.65 mm"])
def test_a_marking_becomes_its_thickness(bay_tablet, job, keyed):
    """This family is stamped in thousandths: 2650 is 2.650 mm (common practice, no source)."""
    key(bay_tablet, job, **{"thickness-1-IN": keyed, "by-1-IN": "marked"})
    assert (valve(job).shim_nm, valve(job).shim_known_by) == (2_650_000, "marked")


@pytest.mark.parametrize(
    ("keyed", "by", "says"),
    [
        ("265", "marked", "is stamped"),
        ("2651", "marked", "is stamped"),
        ("2650", "measured", "2650 um"),
        ("275", "measured", "marking 275"),
        ("1.200", "measured", "outside its family"),
        ("2.66", "marked", "is not a size of its family"),
        ("two", "measured", "is not a length"),
    ],
)
def test_what_is_wrong_and_what_would_be_right(bay_tablet, job, keyed, by, says):
    page = key(bay_tablet, job, **{"thickness-1-IN": keyed, "by-1-IN": by})
    assert page.status_code == 400
    assert says in text_of(page)
    assert wrong_fields(page) == ["thickness-1-IN"]
    assert fields_of(page)["thickness-1-IN"] == keyed
    assert valve(job).shim_nm is None


def test_one_field_is_kept_by_itself(bay_tablet, job):
    answer = bay_tablet.send_one(
        "shims",
        "thickness-1-IN",
        job.pk,
        **{"thickness-1-IN": "2.650", "by-1-IN": "measured", "adjust-1-IN": "auto", "was-1-IN": "||auto"},
    )
    assert answer.status_code == 200
    assert "2.650 mm, measured" in text_of(answer)
    assert 'value="2.650 mm|measured|auto"' in answer.content.decode()


def test_which_valves_may_be_opened(bay_tablet, job):
    page = key(bay_tablet, job, **{"adjust-2-IN": "always", "adjust-1-EX": "never", "thickness-1-IN": "2.65"})
    assert page.status_code == 200
    assert (valve(job, "2-IN").adjust, valve(job, "1-EX").adjust) == ("always", "never")
    assert "Pull and measure the shims of 1-IN, 2-IN ." in text_of(page)


def test_both_or_neither(bay_tablet, job):
    page = key(bay_tablet, job, **{"adjust-2-IN": "always", "thickness-1-IN": "9.9"})
    assert page.status_code == 400
    assert valve(job, "2-IN").adjust == "auto"
    assert fields_of(page)["adjust-2-IN"] == "always"


def test_somebody_elses_figure_is_not_written_over(bay_tablet, job, workshop):
    stale = fields_of(bay_tablet.get("shims", job.pk))
    workshop.read(job, READ, {"1-IN": "2.600 mm"})
    page = bay_tablet.post("shims", job.pk, **stale | {"thickness-1-IN": "2.650"})
    assert page.status_code == 400
    assert "Somebody keyed in 2.600 mm here meanwhile." in text_of(page)
    assert bay_tablet.post("shims", job.pk, **fields_of(page)).status_code == 200
    assert valve(job).shim_keyed == "2.650 mm"
    assert ShimReading.objects.filter(valve=valve(job)).count() == 2


def test_a_shim_known_from_the_last_job_stands_in_its_field(bay_tablet, shop, workshop, tech):
    last = shop.jobs["signed_off"]
    again = workshop.job(vehicle=last.vehicle)
    left_in_it = valve(last).shim_keyed.removesuffix(" mm")
    assert fields_of(bay_tablet.get("shims", again.pk))["thickness-1-IN"] == left_in_it
