"""take_into_bay: an engine is rolled from the yard or another bay into a free one."""

import pytest

from jobs.models import Job
from jobs.selectors.jobs import board, free_bays
from jobs.services.bays import take_into_bay
from jobs.services.opening import open_job
from shop.errors import Conflict, Forbidden, NotFound, StaleVersion, WrongState
from shop.models import Bay
from tests.jobs.shop import AT

pytestmark = pytest.mark.django_db


@pytest.fixture
def in_yard(workshop, tech):
    workshop.bay()  # brings a tray with it
    return open_job(site=workshop.site, actor=tech, at=AT, vehicle=workshop.vehicle("N 77"), bay=None)


def test_from_the_yard_into_a_bay_and_back(in_yard, workshop, tech):
    assert in_yard.events.last().text.startswith("Opened in the yard with tray")
    bay = workshop.site.bays.first()
    job = take_into_bay(job=in_yard, actor=tech, at=AT, bay=bay)
    assert Job.objects.get(pk=job.pk).bay == bay
    assert job.events.last().text == f"Taken from the yard to {bay}."
    assert bay not in free_bays(workshop.site)
    job = take_into_bay(job=job, actor=tech, at=AT, bay=None, version=job.version)
    assert Job.objects.get(pk=job.pk).bay is None
    assert bay in free_bays(workshop.site)


def test_the_board_shows_bays_first_and_then_the_yard(in_yard, workshop):
    rows = board(workshop.site)
    assert [(row.bay is None, row.job) for row in rows] == [(False, None), (True, in_yard)]
    assert rows[-1].waits_for


def test_a_taken_bay_is_refused_and_names_the_job(in_yard, workshop, tech):
    other = workshop.job()
    with pytest.raises(Conflict, match=f"taken by {other}") as refusal:
        take_into_bay(job=in_yard, actor=tech, at=AT, bay=other.bay)
    assert refusal.value.code == "bay-taken"
    assert Job.objects.get(pk=in_yard.pk).bay is None


def test_several_jobs_may_stand_in_the_yard_but_no_vehicle_twice(in_yard, workshop, tech):
    workshop.bay()
    open_job(site=workshop.site, actor=tech, at=AT, vehicle=workshop.vehicle("N 78"), bay=None)
    with pytest.raises(Conflict, match="is in the yard already"):
        open_job(site=workshop.site, actor=tech, at=AT, vehicle=in_yard.vehicle, bay=None)


def test_who_may_not(in_yard, workshop, clerk, stranger):
    bay = workshop.site.bays.first()
    with pytest.raises(Forbidden):
        take_into_bay(job=in_yard, actor=clerk, at=AT, bay=bay)
    with pytest.raises(NotFound):
        take_into_bay(job=in_yard, actor=stranger, at=AT, bay=bay)


def test_a_bay_of_another_site_is_not_there(in_yard, tech, other_site):
    with pytest.raises(NotFound):
        take_into_bay(job=in_yard, actor=tech, at=AT, bay=Bay.objects.create(site=other_site, number=1))


def test_a_stale_sheet_and_a_closed_job_are_refused(in_yard, workshop, tech):
    bay = workshop.site.bays.first()
    with pytest.raises(StaleVersion):
        take_into_bay(job=in_yard, actor=tech, at=AT, bay=bay, version=in_yard.version + 1)
    Job.objects.filter(pk=in_yard.pk).update(state=Job.State.STOPPED)
    with pytest.raises(WrongState, match="it was stopped"):
        take_into_bay(job=in_yard, actor=tech, at=AT, bay=bay)
