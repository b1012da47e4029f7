"""The dry run of each kind of table: of every row what it is about, its fate, and what becomes what."""

import csv
import io
from datetime import date

import pytest
from openpyxl import Workbook

from inventory.compute.lengths import show
from inventory.imports.kinds import headings, kind_of, name_of
from inventory.services.catalogue import add_family, add_supplier
from inventory.spreadsheets.columns import read_header
from inventory.spreadsheets.reading import read_rows
from tests.jobs.shop import Workshop, mm

pytestmark = pytest.mark.django_db


def as_csv(rows):
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue().encode(), "x.csv"


def as_xlsx(rows):
    book, out = Workbook(), io.BytesIO()
    for row in rows:
        book.active.append(row)
    book.save(out)
    return out.getvalue(), "x.xlsx"


@pytest.fixture(params=[as_csv, as_xlsx], ids=["csv", "xlsx"])
def judged(request, site):
    """(what it is about, its fate, why) of each row of a table, in order; wrong ones too."""

    def act(kind, *rows):
        table = kind_of(kind)
        data, name = request.param(rows)
        read = read_rows(io.BytesIO(data), name)
        header, checker, told = read_header(next(read), table.columns), table.checker(site), []
        for row in read:
            values, wrong = header.values(row)
            if wrong:
                told.append((name_of(table, values), "wrong", "; ".join(wrong)))
            else:
                verdict = checker.judge(row.number, values)
                told.append((name_of(table, values), verdict.fate.value, verdict.message))
        return told

    return act


@pytest.fixture
def exported(site):
    """The rows of a kind as they come out, by column, under the headings."""

    def act(kind):
        table = kind_of(kind)
        names = headings(table, site)
        return names, [dict(zip(names, row, strict=False)) for row in table.export(site)]

    return act


def test_an_engine_type_says_what_becomes_what(judged, exported, workshop: Workshop):
    names, (row, *_) = exported("engine-types")

    def changed(**columns):
        return [{**row, **{name.replace("_", " "): cell for name, cell in columns.items()}}[n] for n in names]

    row = {name: row.get(name, "") for name in names}
    code, least = row["code"], row["intake min [mm]"]
    told = judged(
        "engine-types",
        names,
        changed(),
        changed(code="flat-1", cylinders="1"),
        changed(code="flat-1"),
        changed(name="x" * 90),
        changed(cylinders="nine"),
    )
    assert told == [
        (code, "same", ""),
        ("flat-1", "new", "1 cylinder with 2 valves, shims of disc29"),
        ("flat-1", "wrong", "the code flat-1 stands in row 3 already"),
        (code, "wrong", "name: has 90 characters; 80 is the most"),
        (code, "wrong", "cylinders: 'nine' is no whole number from 0 to 1,000,000,000"),
    ]
    row["intake min [mm]"], row["intake aim [mm]"] = "0.14", "0.2 mm"
    row["item 1"], row["name"] = "1 | gasket | a new one", "Another name"
    ((_, fate, why),) = judged("engine-types", names, changed())
    assert fate == "changed"
    assert why.split("; ") == [
        f"name: {workshop.engine.name} becomes Another name",
        f"intake min: {least if ' ' in least else f'{least} mm'} becomes 0.14 mm",
        "intake aim: none becomes 0.2 mm",
        "item 1: 1 | cover gasket becomes 1 | gasket | a new one",
    ]
    ((_, fate, why),) = judged("engine-types", names, changed(cylinders="6", family="disc29"))
    assert fate == "wrong"
    assert f"{code} is there; its layout and family cannot change" in why
    assert "cylinders: 2 becomes 6; choose another code" in why


def test_texts_that_differ_far_behind_show_where(judged, exported, workshop):
    """Of two long texts what is shown begins shortly before the first difference."""
    names, (row, *_) = exported("engine-types")
    row = {name: row.get(name, "") for name in names}
    start = "page after page of the maker's book, which a clerk keyed in as it stands, " * 2
    for was, now, says in [
        ("1990", "1991", "1990 becomes 1991"),
        (f"{start}1990", f"{start}1991", f"…{start[-17:]}1990 becomes …{start[-17:]}1991"),
        (start, f"{start}and more", f"…{start.strip()[-20:]} becomes …{start.strip()[-20:]} and more"),
        (f"A{start}", f"B{start}", f"A{start[:79]}… becomes B{start[:79]}…"),
    ]:
        workshop.engine.spec_source = was.strip()
        workshop.engine.save(update_fields=["spec_source"])
        ((_, fate, why),) = judged("engine-types", names, [(row | {"spec source": now})[n] for n in names])
        assert (fate, why) == ("changed", f"spec source: {says}")


def test_the_days_of_a_price_list_are_dates_or_texts(judged, service, workshop):
    add_supplier(actor=service, code="norrbeck", name="Norrbeck & Daughter", lead_days=1)
    start = ["norrbeck", "S-1", "disc29", "2.650", "3.20"]
    assert judged(
        "prices",
        ["supplier", "part number", "family", "size [mm]", "price", "valid from", "valid to"],
        [*start, date(2026, 1, 1), "2026-12-31"],
    ) == [
        ("norrbeck, S-1, 2026-01-01", "new", "2.650 mm of disc29"),
    ]


def test_what_is_wrong_ends_without_a_full_stop_in_every_kind(judged, workshop):
    """Several are joined, and stand in lists: one way for all."""
    workshop.stock(("2.600", "new", 4))
    bin_code, lengths = workshop.bin("2.600").code, ["9", "1.2", "2.4", "0.07"]
    heading = ["code", "name", "form", "marking"]
    told = [
        *judged("sizes", ["family", "size [mm]", "minimum"], ["disc29", "2.651", 1], ["disc29", "9", 1]),
        *judged(
            "families",
            [*heading, "diameter [mm]", "thinnest [mm]", "thickest [mm]", "step [mm]"],
            ["cap9", "Cap", "cap", "thousandths", *lengths],
            ["cap8", "Cap", "cap", "thousandths", "9", "2.4", "1.2", "0.05"],
        ),
        *judged(
            "stock",
            ["bin", "family", "thickness [mm]", "condition", "quantity"],
            [bin_code, "disc29", "2.651", "new", 1],
        ),
        *judged("bins", ["code", "family", "size [mm]"], ["Z1", "disc29", "2.651"]),
    ]
    assert {fate for _, fate, _ in told} == {"wrong"}
    assert [why for _, _, why in told if why.endswith(".")] == []


def test_a_length_keyed_in_another_unit_is_the_same(judged, exported, workshop):
    names, (row, *_) = exported("engine-types")
    row = {name: row.get(name, "") for name in names}
    row["intake min [mm]"] = show(workshop.engine.intake_min_nm)
    assert not workshop.engine.intake_min_keyed.endswith("mm")
    assert [fate for _, fate, _ in judged("engine-types", names, [row[n] for n in names])] == ["same"]


def test_the_other_kinds_too(judged, workshop):
    workshop.stock(("2.600", "new", 4))
    place = workshop.bin("2.600")
    where = f"{place.cabinet},{place.row},{place.column}".split(",")
    assert judged(
        "stock",
        ["bin", "family", "thickness [thou]", "condition", "quantity"],
        [place.code, "disc29", "2.600 mm", "new", 5],
        [place.code, "disc29", "102.4", "used", 2],
        [place.code, "disc29", "2600 um", "new", 7],
    ) == [
        (f"{place.code}, disc29, 2.600 mm, new", "changed", "4 on hand, 5 in the table"),
        (f"{place.code}, disc29, 102.4 thou, used", "new", "0 on hand, 2 in the table"),
        (
            f"{place.code}, disc29, 2600 um, new",
            "wrong",
            "names the same shims in the same bin as row 2; make it one row",
        ),
    ]
    assert judged(
        "bins",
        ["code", "cabinet", "row", "column", "family", "size [mm]", "capacity"],
        [place.code, *where, "disc29", "2.625", "30"],
        ["Z1", "Z", "1", "2", "disc29", "2.600", ""],
        ["Z2", "", "", "", "disc29", "2.651", ""],
    ) == [
        (place.code, "changed", "size: none becomes 2.625 mm; capacity: none becomes 30"),
        ("Z1", "new", "at cabinet Z, row 1, column 2, for 2.600 mm of disc29"),
        ("Z2", "wrong", "2.651 mm is no size that disc29 is made in: the nearest made size is 2.650 mm"),
    ]
    family = workshop.family
    lengths = [family.diameter_keyed, family.min_keyed, family.max_keyed, family.step_keyed]
    told = judged(
        "families",
        ["code", "name", "form", "marking", "diameter [mm]", "thinnest [mm]", "thickest [mm]", "step [mm]"],
        [family.code, "Another name", family.form, family.marking, *lengths],
        ["cap9", "Cap", "cap", "thousandths", "9", "1.2", "2.4", "0.05"],
        ["cap9", "Cap", "cap", "thousandths", "9", "1.2", "2.4", "0.05"],
    )
    assert told == [
        (family.code, "changed", f"name: {family.name} becomes Another name"),
        ("cap9", "new", "25 sizes, 1.200 to 2.400 mm in steps of 0.050 mm"),
        ("cap9", "wrong", "the code cap9 stands in row 3 already"),
    ]
    ((_, fate, why),) = judged(
        "families",
        ["code", "name", "form", "marking", "diameter [mm]", "thinnest [mm]", "thickest [mm]", "step [mm]"],
        [family.code, family.name, "cap", family.marking, "30", *lengths[1:]],
    )
    assert fate == "wrong"
    assert f"form: {family.form} becomes cap; diameter: {family.diameter_keyed} becomes 30 mm; choose" in why


def test_a_size_with_its_marking_as_a_spreadsheet_writes_it(judged, service):
    """A program that opens a CSV makes a number of 2.600, and writes 2.6 back: that is the marking too."""
    texts = {"diameter": "9.5", "thinnest": "2.000", "thickest": "3.000", "step": "0.025"}
    lengths = {name: mm(text) for name, text in texts.items()}
    add_family(actor=service, code="cap9", name="9 mm cap", form="cap", marking="decimal", **lengths)
    assert judged(
        "sizes",
        ["family", "size [mm]", "marking", "minimum"],
        ["cap9", 2.6, 2.6, 3],
        ["cap9", 2.625, "2.62", 0],
        ["cap9", 2.65, "", ""],
    ) == [
        ("cap9, 2.6 mm", "new", "minimum: 0 becomes 3"),
        ("cap9, 2.625 mm", "wrong", "2.625 mm of cap9 is marked 2.625, not 2.62"),
        ("cap9, 2.65 mm", "same", ""),
    ]
