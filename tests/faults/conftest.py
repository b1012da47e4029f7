"""Celery with a broker, and a plan for a whole shop that is asked for: what workers are killed over."""

import pytest
from django.utils import timezone

from jobs.services.shop_planning import plan_shop
from shop.actor import actor_for_user
from tests.jobs.shop import make_engine, make_family, make_workshop
from tests.jobs.three_bays import three_bays
from tests.servers.programs import python

# Celery is for shops with more than one process, and those run on PostgreSQL; the embedded default's loop is
# tested on both.
WITH_CELERY = [
    pytest.mark.django_db(transaction=True),
    pytest.mark.postgresql,
    pytest.mark.celery,
    pytest.mark.redis,
]
# Without the talk between workers, which costs a second at each start.
WORKER = ("worker", "--concurrency", "2", "--without-mingle", "--without-gossip")
CELERY_ENVIRONMENT = {"COLDGAP_TASK_LEASE_SECONDS": "1.5", "COLDGAP_PUMP_SECONDS": "0.5"}


@pytest.fixture
def broker(valkey):
    """The broker, empty, and running again afterwards."""
    with valkey.client() as client:
        client.flushall()
    yield valkey
    if not valkey.child.running:
        valkey.start()


@pytest.fixture
def celery(broker, tmp_path):
    """Start workers of two pool processes each, and beats; all are gone after the test."""
    started = []

    def start(*words, app="tests.faults.celery_app", **more):
        environment = CELERY_ENVIRONMENT | {"REDIS_URL": broker.url} | more
        log = tmp_path / f"celery{len(started)}.log"
        words = ["-m", "celery", "-A", app, *words]
        started.append(python(words, log=log, with_children=True, **environment))
        return started[-1]

    yield start
    for child in started:
        child.kill()


@pytest.fixture
def tech(technician):
    return actor_for_user(technician)


@pytest.fixture
def plan(site, tech):
    """Asked for, over two families: so that there is more than one part."""
    workshop = make_workshop(site, tech)
    three_bays(workshop)
    workshop.family = make_family("disc25")
    workshop.engine = make_engine(workshop.family, "other-4")
    workshop.bins = {}
    alone = workshop.job()
    readings = {"1-IN": "5 thou", "2-IN": "8 thou", "1-EX": "12 thou", "2-EX": "12 thou"}
    workshop.read(alone, readings, {"1-IN": "2.650 mm"})
    return plan_shop(site=site, actor=tech, at=timezone.now())
