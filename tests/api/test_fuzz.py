"""Schemathesis over the whole document against a running server (bar A10), in a step of its own.

    python -m pytest -p schemathesis -m fuzz tests/api/test_fuzz.py

Every operation gets generated requests, good and bad ones; half of those that name a thing name one that is
there. All of its checks are on but two: `positive_data_acceptance`, since a schema cannot say all that
makes sense of a body (min below max, a family's range), and `use_after_free`, since nothing is ever deleted.
"""

import random
import sqlite3
import sys

import pytest
import requests
import schemathesis
from django.conf import settings as project_settings
from django.db import connection
from django.test import override_settings
from hypothesis import HealthCheck, settings
from schemathesis.checks import CHECKS, load_all_checks
from schemathesis.config import SchemathesisConfig

from api.document import document
from inventory.models import Place
from shop.models import Role
from tests.api.floor_writes import return_to_supplier
from tests.api.program import program
from tests.api.world import make_world
from tests.people import north_yard, person

pytestmark = pytest.mark.fuzz

# Beside some hundred to an operation that Schemathesis writes out (its phase "coverage"). These it draws,
# which takes five times as long for each. Read here, since there is no fixture yet when settings are made.
EXAMPLES = 25 if "--long" in sys.argv else 5

load_all_checks()
EXCLUDED = {"positive_data_acceptance", "use_after_free", "max_response_time"}
USED = [check for name, check in CHECKS._items.items() if name not in EXCLUDED]
# What a missing or wrong value may be answered with beyond Schemathesis' own list: RFC 6585 and RFC 9110.
REFUSALS = ["400", "401", "403", "404", "405", "406", "409", "411", "412", "413", "415", "422", "428", "429"]
schema = schemathesis.openapi.from_dict(
    document(),
    config=SchemathesisConfig.from_dict(
        {
            "checks": {
                "missing_required_header": {"expected-statuses": REFUSALS},
                "negative_data_rejection": {"expected-statuses": REFUSALS},
            }
        }
    ),
)


@pytest.fixture(scope="module")
def kept():
    """The shop as it was made for the first operation, and what names it: [] until then."""
    made = []
    yield made
    for copy in made[:1]:
        copy.close()


@pytest.fixture(scope="module", autouse=True)
def short_streams():
    """What is asked for is a stream's beginning; to its end it would be two seconds each time."""
    with override_settings(COLDGAP=project_settings.COLDGAP | {"STREAM_SECONDS": 0.05}):
        yield


@pytest.fixture
def target(live_server, kept):
    """The address, a key for everything, and by resource the id of one thing that is there.

    Made once; into SQLite it is then copied page by page for each operation.
    """
    if connection.vendor != "sqlite":
        return live_server.url, *make_target()
    if not kept:
        kept += [sqlite3.connect(":memory:"), make_target()]
        connection.connection.backup(kept[0])
    connection.ensure_connection()
    kept[0].backup(connection.connection)
    return live_server.url, *kept[1]


def make_target():
    site = north_yard()
    manager = person("mara", "Mara Quist", site, Role.MANAGER)
    world = make_world(site, program(manager, site))
    job, hold = world.held(), world.hold()
    things = {
        "jobs": job.rpartition("/")[2],
        "holds": hold["id"],
        "vehicles": world.vehicle()["id"],
        "purchase-lists": world.bought()["id"],
        "movements": world.program.get("/movements").json()["items"][0]["id"],
        "transfers": str(world.coming().pk),
        "supplier-returns": world.program.done(*return_to_supplier(world))["id"],
        "bins": str(Place.objects.filter(site=site, kind="bin").first().pk),
        "shim-families": world.family,
        "engine-types": world.shop.engine.code,
        "sites": site.code,
    }
    return world.program.text, things


@pytest.fixture
def session():
    """One connection for all requests to an operation: for each new one the server opened its database."""
    with requests.Session() as opened:
        # Nothing of this machine's proxies and passwords: they were looked for at every request.
        opened.trust_env = False
        yield opened


@schema.parametrize()
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    derandomize=True,
    database=None,
)
def test_no_answer_is_outside_the_document(case, target, session):
    url, key, things = target
    resource = case.path.removeprefix("/api/v1/").partition("/")[0]
    checks = USED
    chooser = random.Random(repr(case.path_parameters) + repr(case.body))
    if case.path_parameters and resource in things and chooser.random() < 0.5:
        name = next(iter(case.path_parameters))
        case.path_parameters[name] = things[resource]
        # What was wrong on purpose may have been the id that a real one has taken the place of.
        checks = [check for check in USED if check.__name__ != "negative_data_rejection"]
        if "If-Match" in (case.headers or {}) and chooser.random() < 0.8:
            case.headers["If-Match"] = "*"
    response = case.call(base_url=url, session=session, headers={"Authorization": f"Bearer {key}"})
    case.validate_response(response, checks=checks)
