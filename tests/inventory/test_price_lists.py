"""Price lists in and out, supplier's terms and rates: a dry run first, then all of it or nothing."""

import io
from datetime import date
from decimal import Decimal

import pytest

from inventory.imports.kinds import kind_of
from inventory.imports.runs import apply_import, stage_import
from inventory.models import PartPrice
from inventory.services.catalogue import add_supplier
from inventory.services.terms import PartRow, Terms, set_part_prices, set_rate, set_terms
from inventory.spreadsheets.writing import csv_chunks, xlsx_bytes
from shop.background.work import work_once
from shop.errors import Forbidden, Invalid

HEADING = (
    "supplier,part number,family,size [mm],pack,from packs,price,only above,valid from,valid to,working days"
)
ROWS = (
    "norrbeck,S-2625,disc29,2.625,1,1,3.20,no,2026-01-01,,",
    "norrbeck,S-2625,disc29,2.625,1,10,2.90,no,2026-01-01,,",
    "norrbeck,S-2650-P5,disc29,2.650,5,1,13.00,yes,2026-01-01,2026-12-31,4",
)


@pytest.fixture
def norrbeck(service, family):
    return add_supplier(actor=service, code="norrbeck", name="Norrbeck & Daughter", lead_days=1)


def staged(site, boss, at, data, name="prices.csv"):
    run = stage_import(site=site, actor=boss, at=at, kind="prices", file=io.BytesIO(data), name=name)
    work_once()
    run.refresh_from_db()
    return run


def exported(site):
    table = kind_of("prices")
    return b"".join(csv_chunks([column.heading for column in table.columns], table.export(site)))


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_in_and_out_again(site, boss, at, norrbeck, ending):
    cells = [line.split(",") for line in (HEADING, *ROWS)]
    data = "\n".join((HEADING, *ROWS)).encode()
    data = data if ending == "csv" else xlsx_bytes("Prices", cells[0], cells[1:])
    run = staged(site, boss, at, data, f"prices.{ending}")
    assert (run.state, run.new, run.message) == ("checked", 3, "")
    assert PartPrice.objects.count() == 0
    apply_import(run=run, actor=boss, at=at)
    work_once()
    assert PartPrice.objects.filter(part_number="S-2625").count() == 2
    pack = PartPrice.objects.get(pack=5)
    assert (pack.price, pack.incremental, pack.valid_to, pack.lead_days) == (13, True, date(2026, 12, 31), 4)
    again = staged(site, boss, at, exported(site))
    assert (again.state, again.same) == ("checked", 3)
    dearer = staged(site, boss, at, exported(site).replace(b",3.2,", b",3.4,"))
    assert (dearer.changed, dearer.staged.get(fate="changed").message) == (1, "price: 3.2 becomes 3.4")


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("nobody,S,disc29,2.625,1,1,3,no,2026-01-01,,", "no supplier nobody"),
        ("norrbeck,S,disc99,2.625,1,1,3,no,2026-01-01,,", "no shim family disc99"),
        ("norrbeck,S,disc29,2.630,1,1,3,no,2026-01-01,,", "is no size"),
        ("norrbeck,S,disc29,2.625,1,1,0,no,2026-01-01,,", "above 0"),
        ("norrbeck,S,disc29,2.625,1,1,3,no,1.1.2026,,", "like 2026-03-31"),
        ("norrbeck,S,disc29,2.625,1,5,3,no,2026-01-01,,", "no price from 1 pack on"),
        ("norrbeck,S,disc29,2.625,1,1,3,no,2026-01-01,2025-01-01,", "before the first"),
        (f"{ROWS[0]}\n{ROWS[0]}", "same price as row 2"),
        (f"{ROWS[0]}\nnorrbeck,S-2625,disc29,2.625,1,5,4,no,2026-01-01,,", "costs more"),
        (f"{ROWS[0]}\nnorrbeck,S-2625,disc29,2.650,1,5,3,no,2026-01-01,,", "differs from its other rows"),
    ],
)
def test_wrong_rows_are_named_and_nothing_is_applied(site, boss, at, norrbeck, row, says):
    run = staged(site, boss, at, f"{HEADING}\n{row}".encode())
    assert run.state == "refused"
    assert says in run.staged.filter(fate="wrong").latest("number").message


@pytest.mark.django_db
def test_terms_and_rates_are_the_managers(clerk, boss, at, norrbeck, family):
    with pytest.raises(Forbidden):
        set_terms(actor=clerk, supplier=norrbeck, terms=Terms(currency="EUR"))
    with pytest.raises(Forbidden):
        set_rate(actor=clerk, at=at, currency="SEK", rate=Decimal("0.09"))
    with pytest.raises(Invalid, match="ISO 4217"):
        set_terms(actor=boss, supplier=norrbeck, terms=Terms(currency="EUX"))
    with pytest.raises(Invalid, match="0 or more"):
        set_terms(actor=boss, supplier=norrbeck, terms=Terms(currency="EUR", delivery_fee=Decimal(-1)))
    with pytest.raises(Invalid, match="above 0"):
        set_rate(actor=boss, at=at, currency="SEK", rate=Decimal(0))
    found = set_terms(
        actor=boss,
        supplier=norrbeck,
        terms=Terms(currency="eur", holidays=(date(2026, 5, 1),), our_number="K 7"),
    )
    assert (found.currency, found.holidays, found.our_number) == ("EUR", ["2026-05-01"], "K 7")
    row = PartRow(
        part_number="S", family=family, thickness_nm=2_630_000, price=Decimal(1), valid_from=date(2026, 1, 1)
    )
    with pytest.raises(Invalid, match="no size"):
        set_part_prices(actor=boss, supplier=norrbeck, rows=[row])
