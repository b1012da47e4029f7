"""What to stock: looked at by everybody, set by the counter and managers."""

import pytest

from inventory.models import StockMinimum
from inventory.selectors.mix import stock_mix
from inventory.services.minimums import set_minimum
from tests.jobs.shop import AT
from tests.ui.pages import fields_of, text_of, wrong_fields

pytestmark = pytest.mark.django_db


def kept(shop):
    return dict(StockMinimum.objects.filter(site=shop.site).values_list("thickness_nm", "minimum"))


def test_every_family_at_a_glance_and_what_to_stop_buying(counter_screen, shop):
    words = text_of(counter_screen.get("mix"))
    assert shop.workshop.family.name in words
    assert "What to stop buying" in words
    assert "would do for the next 24 months: stop buying it." in words
    fewer = text_of(counter_screen.get("mix", service="0.99", months="3"))
    assert "would do for the next 3 months" in fewer


def test_chosen_lines_are_set_at_once(counter_screen, shop):
    code = shop.workshop.family.code
    asked = fields_of(counter_screen.get("family_mix", code))
    numbers = sorted(int(name.removeprefix("keep_")) for name in asked if name.startswith("keep_"))
    chosen = {name: value for name, value in asked.items() if not name.startswith("take_")}
    page = counter_screen.post(
        "family_mix", code, **chosen | {f"take_{numbers[0]}": "on", f"keep_{numbers[0]}": "4"}
    )
    assert "It is set how many to keep of 1 size" in text_of(page)
    assert kept(shop) == {numbers[0]: 4}
    assert "kept today 4" in text_of(counter_screen.get("family_mix", code))


def test_nothing_chosen_or_nothing_said_sets_nothing(counter_screen, shop):
    code = shop.workshop.family.code
    asked = fields_of(counter_screen.get("family_mix", code))
    numbers = [name.removeprefix("keep_") for name in asked if name.startswith("keep_")]
    chosen = {name: value for name, value in asked.items() if not name.startswith("take_")}
    for more, said in (
        ({}, "Choose at least one size."),
        ({f"take_{numbers[0]}": "on", f"keep_{numbers[0]}": ""}, "0 to keep none"),
        ({f"take_{numbers[0]}": "on", f"take_{numbers[1]}": "on", f"keep_{numbers[0]}": "-1"}, "0 or more"),
    ):
        page = counter_screen.post("family_mix", code, **chosen | more)
        assert page.status_code == 400
        assert said in text_of(page)
    assert kept(shop) == {}


def test_a_technician_looks_and_sets_nothing(bay_tablet, shop):
    code = shop.workshop.family.code
    page = bay_tablet.get("family_mix", code)
    assert page.status_code == 200
    assert "Set as minimums" not in text_of(page)
    assert bay_tablet.post("family_mix", code).status_code == 403


def test_a_choice_that_is_none_is_said(counter_screen, shop):
    page = counter_screen.get("mix", service="0.01", months="24")
    assert "This is not one of those that may be chosen here." in text_of(page)


def test_the_pages_say_what_the_selector_says(counter_screen, shop):
    rows = stock_mix([shop.site.pk], at=AT)
    words = text_of(counter_screen.get("mix"))
    assert rows
    assert f"{sum(row.proposal.proposed for row in rows)} proposed" in words


def test_what_somebody_else_set_meanwhile_is_not_lost_unseen(counter_screen, shop, service):
    code = shop.workshop.family.code
    asked = fields_of(counter_screen.get("family_mix", code))
    numbers = sorted(int(name.removeprefix("keep_")) for name in asked if name.startswith("keep_"))
    chosen = {name: value for name, value in asked.items() if not name.startswith("take_")}
    first, second = numbers[:2]
    chosen |= {f"take_{nm}": "on" for nm in (first, second)} | {f"keep_{first}": "1", f"keep_{second}": "2"}
    set_minimum(
        site=shop.site, actor=service, at=AT, family=shop.workshop.family, thickness_nm=first, minimum=4
    )
    page = counter_screen.post("family_mix", code, **chosen)
    assert page.status_code == 412
    assert wrong_fields(page) == [f"keep_{first}"]
    assert "set 4 meanwhile" in text_of(page)
    assert "it was 0 as you saw it" in text_of(page)
    assert kept(shop) == {first: 4}
    # Who presses again has seen it.
    again = counter_screen.post("family_mix", code, **chosen | fields_of(page))
    assert "It is set how many to keep of 2 sizes" in text_of(again)
    assert kept(shop) == {first: 1, second: 2}


def test_what_is_kept_as_wanted_already_is_no_question(counter_screen, shop, service):
    code = shop.workshop.family.code
    asked = fields_of(counter_screen.get("family_mix", code))
    chosen = {name: value for name, value in asked.items() if not name.startswith("take_")}
    first = min(int(name.removeprefix("keep_")) for name in asked if name.startswith("keep_"))
    set_minimum(
        site=shop.site, actor=service, at=AT, family=shop.workshop.family, thickness_nm=first, minimum=1
    )
    page = counter_screen.post("family_mix", code, **chosen | {f"take_{first}": "on", f"keep_{first}": "1"})
    assert "It is set how many to keep of 1 size" in text_of(page)
