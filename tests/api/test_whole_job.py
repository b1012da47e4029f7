"""One engine from cold readings to sign-off by a plain HTTP client against a running server.

The browser does the same job (tests/browser/test_whole_job.py); `booked` is the form in which the two ledgers
are compared.
"""

import itertools
from decimal import Decimal

import httpx
import pytest

from inventory.selectors.audit import audit
from jobs.models import Job
from shop.actor import actor_for_user
from tests.api.program import program
from tests.api.world import length, thou
from tests.browser.ledger import booked
from tests.jobs.shop import NEW, USED, make_workshop

BEFORE = {"1-IN": "5", "1-EX": "17", "2-IN": "8", "2-EX": "12"}
SHIMS = {"1-IN": "2.650", "1-EX": "2.550"}
AFTER = {"1-IN": "8", "1-EX": "12"}
# 1-IN is tight and gets the used 2.600, 1-EX is loose and gets the used 2.700. Lines by movement, each with
# the kind of place and its code.
LEDGER = [
    (
        "hand_out",
        [
            ("bin", "B02", 2_600_000, "used", -1),
            ("bin", "B04", 2_700_000, "used", -1),
            ("tray", "T01", 2_600_000, "used", 1),
            ("tray", "T01", 2_700_000, "used", 1),
        ],
    ),
    (
        "pull",
        [
            ("engine", "engines", 2_550_000, "used", -1),
            ("engine", "engines", 2_650_000, "used", -1),
            ("tray", "T01", 2_550_000, "used", 1),
            ("tray", "T01", 2_650_000, "used", 1),
        ],
    ),
    (
        "fit",
        [
            ("engine", "engines", 2_600_000, "used", 1),
            ("engine", "engines", 2_700_000, "used", 1),
            ("tray", "T01", 2_600_000, "used", -1),
            ("tray", "T01", 2_700_000, "used", -1),
        ],
    ),
    (
        "recover",
        [
            ("inspection", "inspection", 2_550_000, "used", 1),
            ("inspection", "inspection", 2_650_000, "used", 1),
            ("tray", "T01", 2_550_000, "used", -1),
            ("tray", "T01", 2_650_000, "used", -1),
        ],
    ),
]


class Calculator:
    """What a program needs to know: its key, one Idempotency-Key an act, and the ETag of what it saw."""

    def __init__(self, url: str, key: str) -> None:
        self.http = httpx.Client(base_url=f"{url}/api/v1", headers={"Authorization": f"Bearer {key}"})
        self.acts = itertools.count(1)

    def make(self, path, body):
        response = self.http.post(path, json=body, headers={"Idempotency-Key": f"act-{next(self.acts)}"})
        assert response.status_code == 201, response.text
        assert self.http.get(response.headers["Location"].removeprefix("/api/v1")).json() == response.json()
        self.tag = response.headers["ETag"]
        return response.json()

    def act(self, path, body=None):
        headers = {"Idempotency-Key": f"act-{next(self.acts)}", "If-Match": self.tag}
        # The connection is cut after sending, so to say: the first answer is never seen.
        self.http.post(path, json=body or {}, headers=headers)
        response = self.http.post(path, json=body or {}, headers=headers)
        assert response.status_code == 200, response.text
        assert response.headers["Idempotency-Replayed"] == "true"
        self.tag = response.headers["ETag"]
        return response.json()


@pytest.fixture
def workshop(site, tech):
    made = make_workshop(site, tech)
    made.stock(("2.575", NEW, 2), ("2.600", USED, 1), ("2.675", NEW, 2), ("2.700", USED, 1))
    made.bay()
    return made


@pytest.fixture
def tech(technician):
    return actor_for_user(technician)


@pytest.fixture
def calculator(live_server, technician, workshop):
    made = Calculator(live_server.url, program(technician, workshop.site).text)
    yield made
    made.http.close()


def test_from_cold_readings_to_sign_off(calculator, workshop):
    vehicle = calculator.make(
        "/vehicles", {"registration": "n 100", "description": "tourer", "engine_type": workshop.engine.code}
    )
    job = calculator.make("/jobs", {"vehicle": vehicle["id"], "bay": 1})
    at = f"/jobs/{job['id']}"

    job = calculator.act(
        f"{at}/readings", {"readings": {label: {"passes": thou(keyed)} for label, keyed in BEFORE.items()}}
    )
    assert {valve["label"]: valve["verdict"] for valve in job["valves"]} == {
        "1-IN": "tight",
        "1-EX": "loose",
        "2-IN": "in_spec",
        "2-EX": "in_spec",
    }
    job = calculator.act(f"{at}/plan")
    assert job["plan"]["to_measure"] == ["1-IN", "1-EX"]
    job = calculator.act(
        f"{at}/shims",
        {
            "shims": {
                label: {"thickness": length(keyed), "known_by": "measured"} for label, keyed in SHIMS.items()
            }
        },
    )
    assert job["plan"]["state"] == "stale"
    job = calculator.act(f"{at}/plan")
    assert job["plan"]["score"]["opened"] == 2
    assert job["plan"]["to_buy"] == []
    job = calculator.act(f"{at}/hold")
    assert job["state"] == "held"
    (hold,) = job["holds"]
    assert sorted(line["label"] for line in hold["lines"]) == ["1-EX", "1-IN"]
    assert stock(calculator) == {"2.575": 2, "2.6": 0, "2.675": 2, "2.7": 0}
    job = calculator.act(f"{at}/hand-out")
    job = calculator.act(f"{at}/fit")
    assert [valve["fits"][0]["fitted"]["value"] for valve in job["valves"] if valve["fits"]] == [
        "2.6",
        "2.7",
    ]
    assert job["to_read"] == ["1-IN", "1-EX"]
    job = calculator.act(
        f"{at}/readings", {"readings": {label: {"passes": thou(keyed)} for label, keyed in AFTER.items()}}
    )
    job = calculator.act(f"{at}/sign-off")
    assert job["state"] == "signed_off"
    assert [item["name"] for item in job["items"]] == ["cover gasket", "half-moon seal"]
    assert [event["act"] for event in job["events"]] == [
        "open_job",
        "key_clearances",
        "plan_job",
        "key_shims",
        "plan_job",
        "accept_plan",
        "hand_out_job",
        "fit_job",
        "key_clearances",
        "sign_off_job",
    ]
    assert booked(workshop.site) == LEDGER
    # Opened, then nine acts, each sent twice and done once.
    assert Job.objects.get().version == 10
    assert audit() == []


def stock(calculator):
    """Available by thickness, as the list of stock says."""
    rows = calculator.http.get("/stock", params={"limit": 200}).json()["items"]
    return {str(Decimal(row["thickness"]["value"]).normalize()): row["available"] for row in rows}
