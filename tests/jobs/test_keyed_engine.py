"""A job on an engine in no list: spec and valves are keyed with it, and all that comes after works."""

from decimal import Decimal

import pytest

from inventory.compute.lengths import parse_text
from jobs.compute.layout import keyed_places
from jobs.models import Job
from jobs.selectors.jobs import job_sheet
from jobs.services.engines import SideSpec
from jobs.services.fitting import fit_job
from jobs.services.keyed_engine import KeyedEngine, KeyedValve
from jobs.services.sign_off import sign_off_job
from jobs.services.vehicles import change_vehicle, enter_vehicle
from jobs.ui.drawing import draw_plan
from shop.errors import Invalid
from tests.jobs.shop import AT, NEW

pytestmark = pytest.mark.django_db
READ = {"1-IN": "5 thou", "1-EX": "11 thou", "2-IN": "8 thou", "2-EX": "12 thou"}


def spec(least, most, aim=None):
    return SideSpec(min=parse_text(least), max=parse_text(most), aim=parse_text(aim) if aim else None)


def engine(family, **more):
    keyed = {
        "family": family,
        "spec_source": "owner's handbook, page 40, invented",
        "intake": spec("6 thou", "10 thou"),
        "exhaust": spec("10 thou", "14 thou"),
        "valves": [
            KeyedValve(label=label, side="intake" if "IN" in label else "exhaust")
            for label in ("1-IN", "1-EX", "2-IN", "2-EX")
        ],
    }
    return KeyedEngine(**keyed | more)


@pytest.fixture
def vehicle(workshop):
    return enter_vehicle(
        site=workshop.site,
        actor=workshop.tech,
        at=AT,
        registration="old 1",
        description="a machine of before the war",
        engine_type=None,
    )


def test_from_readings_to_sign_off(workshop, vehicle):
    workshop.stock(("2.575", NEW, 2))
    job = workshop.job(vehicle, engine=engine(workshop.family))
    assert (job.engine_type, job.family) == (None, workshop.family)
    assert job.spec_source == "owner's handbook, page 40, invented"
    job = workshop.held(workshop.read(job, READ, {"1-IN": "2.650 mm"}))
    sheet = job_sheet(job)
    assert [line.line.action for line in sheet.valves] == ["stock", "keep", "keep", "keep"]
    drawing = draw_plan(sheet.valves, name="wide")
    assert [bore.number for bore in drawing.bores] == [1, 2]
    job = fit_job(job=job, actor=workshop.tech, at=AT)
    job = sign_off_job(job=workshop.read(job, {"1-IN": "8 thou"}), actor=workshop.tech, at=AT)
    assert job.state == Job.State.SIGNED_OFF

    again = workshop.job(vehicle, engine=engine(workshop.family))
    valve = again.valves.get(label="1-IN")
    assert (valve.shim_nm, valve.shim_known_by) == (2_575_000, "marked")


def test_a_valve_may_have_a_spec_of_its_own(workshop, vehicle):
    decompressor = KeyedValve(label="EX.d", side="exhaust", spec=spec("0.30 mm", "0.40 mm", "0.35 mm"))
    keyed = engine(
        workshop.family,
        exhaust=None,
        valves=[KeyedValve(label="IN", side="intake"), decompressor],
        lash_ratio=Decimal("1.5"),
    )
    job = workshop.job(vehicle, engine=keyed)
    own = job.valves.get(label="EX.d")
    assert (own.min_keyed, own.max_keyed, own.aim_nm) == ("0.30 mm", "0.40 mm", 350_000)
    assert job.valves.get(label="IN").aim_nm == 213_360  # 6 thou + 60 % of 4 thou
    assert job.lash_ratio == Decimal("1.5")


def test_refusals_name_the_valve_as_a_person_counts(workshop, vehicle):
    one = KeyedValve(label="1-IN", side="intake")
    valves = [one, KeyedValve(label="1-EX", side="exhaust"), one]
    with pytest.raises(Invalid, match=r"not opened: valve 3, label: 1-IN is there twice") as refused:
        workshop.job(vehicle, engine=engine(workshop.family, valves=valves))
    assert [error.pointer for error in refused.value.errors] == ["/engine/valves/2/label"]
    with pytest.raises(Invalid, match=r"not opened: valve 1, spec: is needed"):
        workshop.job(vehicle, engine=engine(workshop.family, intake=None, valves=[one]))
    with pytest.raises(Invalid, match=r"not opened: intake min: "):
        workshop.job(vehicle, engine=engine(workshop.family, intake=spec("6 thou", "4 thou")))


def test_it_goes_before_the_vehicles_type(workshop):
    keyed = engine(workshop.family, intake=spec("4 thou", "6 thou"))
    job = workshop.job(workshop.vehicle("K 7"), engine=keyed)
    assert job.engine_type is None
    assert job.valves.get(label="1-IN").min_keyed == "4 thou"


def test_without_a_type_and_without_a_spec_nothing_is_opened(workshop, vehicle):
    with pytest.raises(Invalid, match="in no list") as refused:
        workshop.job(vehicle)
    assert [error.pointer for error in refused.value.errors] == ["/engine"]
    change_vehicle(vehicle=vehicle, actor=workshop.tech, at=AT, engine_type=workshop.engine)
    vehicle.refresh_from_db()
    assert workshop.job(vehicle).engine_type == workshop.engine


@pytest.mark.parametrize(
    ("more", "pointers"),
    [
        ({"spec_source": "  "}, ["/engine/spec_source"]),
        ({"lash_ratio": Decimal(0)}, ["/engine/lash_ratio"]),
        ({"valves": []}, ["/engine/valves"]),
        ({"intake": spec("9 thou", "8 thou")}, ["/engine/intake/min"]),
        ({"intake": None}, ["/engine/valves/0/spec", "/engine/valves/2/spec"]),
        (
            {"valves": [KeyedValve(label=name, side="intake") for name in ("a b", "A", "A")]},
            ["/engine/valves/0/label", "/engine/valves/2/label"],
        ),
        ({"valves": [KeyedValve(label="A", side="left")]}, ["/engine/valves/0/side"]),
        (
            {"valves": [KeyedValve(label="A", side="intake", spec=spec("1 thou", "9 thou", "10 thou"))]},
            ["/engine/valves/0/spec/aim"],
        ),
        (
            {"valves": [KeyedValve(label=f"v{n}", side="intake") for n in range(65)]},
            ["/engine/valves"],
        ),
    ],
)
def test_what_is_wrong_is_named(workshop, vehicle, more, pointers):
    with pytest.raises(Invalid) as refused:
        workshop.job(vehicle, engine=engine(workshop.family, **more))
    assert [error.pointer for error in refused.value.errors] == pointers
    assert not Job.objects.exists()


def test_labels_say_the_cylinder_where_they_can():
    def cylinders(*labels):
        placed = keyed_places([(label, "intake" if "I" in label else "exhaust") for label in labels])
        assert len({(place.cylinder, place.row, place.column) for place in placed}) == len(placed)
        return [place.cylinder for place in placed]

    assert cylinders("1-I", "2-I", "10-I", "1-E", "10-E") == [1, 2, 10, 1, 10]
    assert cylinders("I.a", "I.b", "I.c", "E.a", "E.b", "E.c") == [1, 1, 2, 1, 1, 2]
    assert cylinders("1-I", "Ib") == [1, 1]
    # Four of a side in one cylinder is nothing that could be drawn.
    assert cylinders("1-Ia", "1-Ib", "1-Ic", "1-Id", "1-E") == [1, 1, 2, 2, 1]
    assert cylinders("0-I", "123-I") == [1, 1]
