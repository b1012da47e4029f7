"""Every kind of table out of one shop and into an empty one, as CSV and as XLSX: nothing is lost.

Hypothesis makes up what is in the tables, hostile texts included; the second export is the first, byte for
byte (CSV) and cell for cell (XLSX).
"""

import io
from datetime import UTC, datetime

import pytest
from django.db import connection
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory.imports.kinds import headings, kind_of
from inventory.imports.runs import apply_import, stage_import
from inventory.models import Balance, ImportRun, Place, ShimFamily
from inventory.selectors.audit import audit
from inventory.services.sites import open_site
from inventory.spreadsheets.reading import read_rows
from inventory.spreadsheets.writing import csv_chunks, xlsx_bytes
from jobs.models import EngineType
from shop.actor import service_actor
from shop.background.work import work_once
from shop.models import Site

pytestmark = pytest.mark.django_db(transaction=True)

AT = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)
# In the order in which they rest on each other.
KINDS = ("families", "sizes", "engine-types", "bins", "stock")
# What a person could key into a name, signs that start a formula and that part an item first.
NAME = (
    st.text(
        st.one_of(
            st.sampled_from("=+-@|\\'\";, ＝"),
            st.characters(min_codepoint=33, max_codepoint=0x2FF, exclude_categories=("Cc", "Cs", "Zs")),
        ),
        min_size=1,
        max_size=20,
    )
    .map(str.strip)
    .filter(bool)
)
LASH = st.sampled_from(["1", "1.25", "0.666667", "1.5"])
CLEARANCE = st.sampled_from([("0.10", "0.20"), ("6 thou", "10 thou"), ("0.008 in", "0.012 in")])


@st.composite
def shops(draw):
    """The tables of a small shop, by kind: rows of cells under their headings."""
    families = [("d29", "29.0", "2.000", "3.200", "0.025"), ("c9", "9.48", "1.20", "2.40", "0.05")]
    engines = draw(st.lists(st.tuples(NAME, LASH, CLEARANCE, st.lists(NAME, max_size=4)), max_size=3))
    count = draw(st.integers(1, 6))
    stock = draw(
        st.dictionaries(
            st.tuples(st.integers(0, count - 1), st.integers(0, 48), st.sampled_from(["new", "used"])),
            st.integers(1, 100_000),
            max_size=12,
        )
    )
    kept = draw(st.dictionaries(st.integers(0, 48), st.integers(1, 100_000), max_size=5))
    return {
        "families": (
            "code,name,form,marking,diameter [mm],thinnest [mm],thickest [mm],step [mm]",
            [[code, draw(NAME), "cap", "thousandths", *lengths] for code, *lengths in families],
        ),
        "sizes": (
            "family,size [um],minimum",
            [["d29", str(2_000 + 25 * n), str(least)] for n, least in kept.items()],
        ),
        "engine-types": (
            "code,name,cylinders,banks,intake valves,exhaust valves,family,lash ratio,intake min [mm],"
            "intake max [mm],exhaust min [mm],exhaust max [mm],spec source,item 1,item 2,item 3,item 4",
            [
                [f"e-{n}", name, "2", "1", "2", "1", "d29", lash, *spec, "0.20", "0.30 mm", name]
                + [f"1 | {_escaped(item)}" for item in items]
                for n, (name, lash, spec, items) in enumerate(engines)
            ],
        ),
        "bins": (
            "code,cabinet,row,column,family,size [mm],capacity",
            [[f"B{n}", "C", "1", str(n + 1), "d29", "", ""] for n in range(count - 1)]
            + [[f"B{count - 1}", "", "", "", "", "", "7"]],
        ),
        "stock": (
            "bin,family,thickness [mm],condition,quantity",
            [
                [f"B{place}", "d29", f"{2 + 0.025 * n:.3f}", condition, str(quantity)]
                for (place, n, condition), quantity in stock.items()
            ],
        ),
    }


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_all_kinds_into_an_empty_shop(ending, request):
    examples = 60 if request.config.getoption("--long") else 4

    @settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))
    @given(shops())
    def there_and_back(tables):
        _empty()
        first = open_site(code="first", name="First")
        for kind in KINDS:
            heading, rows = tables[kind]
            if rows:
                bring_in(first, kind, b"".join(csv_chunks(heading.split(","), rows)), "csv")
        gone_out = {kind: export(first, kind, ending) for kind in KINDS}
        again = {kind: fates(first, kind, gone_out[kind], ending) for kind in KINDS}
        assert all(found <= {"same"} for found in again.values()), again
        _empty()
        second = open_site(code="second", name="Second")
        assert not ShimFamily.objects.exists()
        for kind in KINDS:
            if len(cells(gone_out[kind], ending)) > 1:
                bring_in(second, kind, gone_out[kind], ending)
        for kind in KINDS:
            back = export(second, kind, ending)
            assert cells(back, ending) == cells(gone_out[kind], ending)
            assert ending == "xlsx" or back == gone_out[kind]
        _everything_is_there(tables)
        assert audit() == []

    there_and_back()


def _everything_is_there(tables):
    assert EngineType.objects.count() == len(tables["engine-types"][1])
    assert Place.objects.filter(kind="bin").count() == len(tables["bins"][1])
    counted = Balance.objects.filter(place__kind="bin", on_hand__gt=0)
    assert counted.count() == len(tables["stock"][1])
    for name, row in zip(
        EngineType.objects.order_by("code").values_list("name", flat=True),
        tables["engine-types"][1],
        strict=True,
    ):
        assert name == row[1]


def bring_in(site: Site, kind: str, data: bytes, ending: str) -> None:
    run = _staged(site, kind, data, ending)
    assert run.state == ImportRun.State.CHECKED, (run.message, _messages(run))
    apply_import(run=run, actor=service_actor(), at=AT)
    work_once()
    run.refresh_from_db()
    assert run.state == ImportRun.State.APPLIED, run.message


def fates(site: Site, kind: str, data: bytes, ending: str) -> set[str]:
    if len(cells(data, ending)) == 1:
        return set()
    run = _staged(site, kind, data, ending)
    return set(run.staged.values_list("fate", flat=True))


def export(site: Site, kind: str, ending: str) -> bytes:
    table = kind_of(kind)
    rows = table.export(site)
    if ending == "csv":
        return b"".join(csv_chunks(headings(table, site), rows))
    return xlsx_bytes(table.title, headings(table, site), rows)


def cells(data: bytes, ending: str) -> list[tuple[str, ...]]:
    return [row.cells for row in read_rows(io.BytesIO(data), f"x.{ending}")]


def _empty() -> None:
    connection.ops.execute_sql_flush([])  # as between tests: tests/flushing.py


def _staged(site: Site, kind: str, data: bytes, ending: str) -> ImportRun:
    run = stage_import(
        site=site, actor=service_actor(), at=AT, kind=kind, file=io.BytesIO(data), name=f"{kind}.{ending}"
    )
    work_once()
    run.refresh_from_db()
    return run


def _messages(run: ImportRun) -> list[str]:
    return list(run.staged.exclude(message="").values_list("message", flat=True)[:5])


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("|", "\\|")
