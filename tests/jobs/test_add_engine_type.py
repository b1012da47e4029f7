from decimal import Decimal

import pytest

from inventory.compute.lengths import parse_text
from jobs.compute.layout import EngineLayout
from jobs.models import EngineType
from jobs.services.engines import Item, SideSpec, add_engine_type
from shop.errors import Forbidden, Invalid
from tests.jobs.shop import make_family


@pytest.fixture
def given(db):
    return {
        "code": "vee-8",
        "name": "Vee eight",
        "layout": EngineLayout(cylinders=8, banks=2, intake_per_cylinder=2, exhaust_per_cylinder=2),
        "family": make_family(),
        "intake": SideSpec(min=parse_text("0.15 mm"), max=parse_text("0.25 mm"), aim=parse_text("0.20 mm")),
        "exhaust": SideSpec(min=parse_text("0.010 in"), max=parse_text("0.014 in")),
        "spec_source": "workshop sheet 12, invented",
    }


def pointers(refusal) -> list[str]:
    return [error.pointer for error in refusal.value.errors]


def test_an_engine_type_keeps_its_figures_as_keyed_and_has_a_position_for_every_valve(given, boss):
    engine = add_engine_type(
        actor=boss, **given, lash_ratio=Decimal("1.125"), items=[Item(name="cover gasket", quantity="2")]
    )
    engine.refresh_from_db()
    assert (engine.intake_aim_nm, engine.intake_aim_keyed) == (200_000, "0.20 mm")
    assert (engine.exhaust_min_nm, engine.exhaust_min_keyed) == (254_000, "0.010 in")
    assert (engine.exhaust_aim_nm, engine.exhaust_aim_keyed) == (None, "")
    assert engine.lash_ratio == Decimal("1.125")
    assert engine.positions.count() == 32
    assert engine.positions.filter(bank=2).count() == 16
    assert [str(item) for item in engine.items.all()] == ["2 cover gasket"]


def test_it_takes_a_manager(given, tech, clerk):
    for actor in (tech, clerk):
        with pytest.raises(Forbidden, match="manager"):
            add_engine_type(actor=actor, **given)
    assert not EngineType.objects.exists()


def test_a_code_is_taken_once(given, boss):
    add_engine_type(actor=boss, **given)
    with pytest.raises(Invalid) as refusal:
        add_engine_type(actor=boss, **given)
    assert pointers(refusal) == ["/code"]
    assert EngineType.objects.count() == 1


@pytest.mark.parametrize(
    ("wrong", "pointer", "says"),
    [
        ({"code": "Vee 8"}, "/code", "small letters"),
        ({"name": " "}, "/name", "empty"),
        ({"spec_source": ""}, "/spec_source", "where the spec stands"),
        ({"lash_ratio": Decimal(0)}, "/lash_ratio", "from 0.1 to 10"),
        ({"lash_ratio": Decimal("NaN")}, "/lash_ratio", "from 0.1 to 10"),
        ({"lash_ratio": Decimal("1.0000001")}, "/lash_ratio", "six decimals"),
        ({"intake": ("10 thou", "6 thou")}, "/intake/min", "below"),
        ({"intake": ("6 thou", "6 thou")}, "/intake/min", "below"),
        ({"exhaust": ("10 thou", "14 thou", "15 thou")}, "/exhaust/aim", "must lie from"),
        ({"exhaust": ("10 mm", "14 thou")}, "/exhaust/min", "not plausible"),
        ({"items": [Item(name="", quantity="1")]}, "/items/0/name", "empty"),
        ({"items": [Item(name="seal", quantity="1" * 41)]}, "/items/0/quantity", "40 is the most"),
    ],
)
def test_a_wrong_value_is_named(given, boss, wrong, pointer, says):
    wrong = dict(wrong)
    for side in {"intake", "exhaust"} & set(wrong):
        low, high, *aim = map(parse_text, wrong[side])
        wrong[side] = SideSpec(min=low, max=high, aim=aim[0] if aim else None)
    with pytest.raises(Invalid, match=says) as refusal:
        add_engine_type(actor=boss, **{**given, **wrong})
    assert pointers(refusal) == [pointer]
    assert not EngineType.objects.exists()


def test_all_wrong_values_are_named_at_once(given, boss):
    given |= {"code": "", "name": "", "lash_ratio": Decimal(99)}
    with pytest.raises(Invalid) as refusal:
        add_engine_type(actor=boss, **given)
    assert pointers(refusal) == ["/code", "/name", "/lash_ratio"]
