"""Terms of suppliers and exchange rates, as the manager keys them in."""

from datetime import time
from decimal import Decimal

import pytest

from inventory.models import ExchangeRate, Supplier
from tests.ui.pages import fields_of, text_of

pytestmark = pytest.mark.django_db

KEYED = {
    "currency": "sek",
    "minimum_value": "25.00",
    "minimum_pieces": "10",
    "delivery_fee": "6.5",
    "free_from": "150",
    "lead_days": "3",
    "cut_off": "14:30",
    "holidays": "2026-12-25\n2026-12-24, 2026-12-25",
    "email": "orders@far.example",
    "our_number": "K-77",
}


def far():
    return Supplier.objects.get(code="far")


def test_terms_are_keyed_in_and_shown_again(office, shop):
    asked = fields_of(office.get("terms", "far"))
    assert (asked["currency"], asked["lead_days"], asked["delivery_fee"]) == ("EUR", "4", "0")
    words = text_of(office.post("terms", "far", **asked | KEYED))
    assert "The terms of Far Away Parts hold from now on." in words
    words = words.replace(" ,", ",").replace(" ;", ";")
    assert "delivery 6.50 SEK, free from 150 SEK; comes in 3 working days, ordered before 14:30" in words
    kept = far()
    assert (kept.currency, kept.minimum_value, kept.minimum_pieces) == ("SEK", Decimal(25), 10)
    assert (kept.delivery_fee, kept.free_from, kept.lead_days) == (Decimal("6.5"), Decimal(150), 3)
    assert (kept.cut_off, kept.email, kept.our_number) == (time(14, 30), "orders@far.example", "K-77")
    assert kept.holidays == ["2026-12-24", "2026-12-25"]
    again = fields_of(office.get("terms", "far"))
    assert (again["minimum_value"], again["free_from"], again["cut_off"]) == ("25", "150", "14:30")
    # The markup reader does not give the words of a text box, so the days are keyed anew here.
    emptied = dict.fromkeys(("minimum_value", "minimum_pieces", "delivery_fee", "free_from", "cut_off"), "")
    office.post("terms", "far", **again | emptied | {"holidays": ""})
    kept = far()
    assert (kept.minimum_value, kept.minimum_pieces, kept.free_from, kept.cut_off) == (0, 0, None, None)
    assert kept.holidays == []


def test_the_holidays_that_stand_are_in_their_box(office, shop):
    Supplier.objects.filter(code="far").update(holidays=["2026-12-24", "2026-12-25"])
    assert "2026-12-24\n2026-12-25</textarea>" in office.get("terms", "far").content.decode()


def test_who_keys_in_over_the_terms_of_another_is_told_first(office, shop):
    seen = fields_of(office.get("terms", "far"))
    office.post("terms", "far", **seen | KEYED)
    page = office.post("terms", "far", **seen | KEYED | {"delivery_fee": "9"})
    assert "Somebody changed the terms" in text_of(page)
    assert "What stands now: order of 25 SEK or more" in text_of(page)
    assert far().delivery_fee == Decimal("6.5")
    knowing = fields_of(page) | {"holidays": ""}
    assert knowing["delivery_fee"] == "9"
    office.post("terms", "far", **knowing)
    assert far().delivery_fee == Decimal(9)


@pytest.mark.parametrize(
    ("field", "keyed", "said"),
    [
        ("currency", "XQX", "is no currency"),
        ("minimum_value", "-1", "Must be 0 or more."),
        ("delivery_fee", "1.23456", "4 decimals"),
        ("lead_days", "soon", "Enter a whole number."),
        ("cut_off", "25:00", "such as 14:30"),
        ("holidays", "2026-12-24 2026-13-01", "“2026-13-01” is no day"),
        ("email", "orders at far", "no e-mail address"),
    ],
)
def test_what_cannot_be_meant_is_said_at_its_field(office, shop, field, keyed, said):
    asked = fields_of(office.get("terms", "far"))
    page = office.post("terms", "far", **asked | KEYED | {field: keyed})
    assert page.status_code == 400
    place = page.content.decode().partition(f'id="id_{field}_error">')[2].partition("</div>")[0]
    assert said in place
    assert far().currency == ""


def test_the_counter_sees_the_terms_and_may_not_change_them(counter_screen, office, shop):
    words = text_of(counter_screen.get("suppliers"))
    assert "Far Away Parts" in words
    assert "comes in 4 working days" in words
    assert counter_screen.get("terms", "far").status_code == 403
    asked = fields_of(office.get("terms", "far"))
    assert counter_screen.post("terms", "far", **asked | KEYED).status_code == 403
    assert counter_screen.post("rates", currency="SEK", rate="0.09").status_code == 403
    assert "Keep this rate" not in text_of(counter_screen.get("rates"))
    assert not ExchangeRate.objects.exists()


def test_rates_are_keyed_in_and_the_newest_holds(office, shop):
    Supplier.objects.filter(code="far").update(currency="SEK")
    assert "No rate is keyed in of SEK" in text_of(office.get("rates"))
    asked = fields_of(office.get("rates"))
    first = asked | {"currency": "sek", "rate": "0.0882"}
    words = text_of(office.post("rates", **first))
    assert "One SEK is 0.0882 EUR from now on." in words
    assert "No rate is keyed in of SEK" not in words
    asked = fields_of(office.get("rates"))
    office.post("rates", **asked | {"currency": "SEK", "rate": "0.09"})
    assert "nothing was booked twice" in text_of(office.post("rates", **first))
    assert ExchangeRate.objects.get().rate == Decimal("0.09")
    asked = fields_of(office.get("rates"))
    for currency, rate, field in (("EUR", "1", "rate"), ("SEK", "0", "rate"), ("XQX", "1", "currency")):
        wrong = office.post("rates", **asked | {"currency": currency, "rate": rate})
        assert wrong.status_code == 400
        assert f'id="id_{field}_error"' in wrong.content.decode()
