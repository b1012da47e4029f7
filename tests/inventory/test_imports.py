"""Tables in: a dry run that tells every row's fate, then all of it or nothing (bar S6), and out again."""

import io

import pytest

from inventory.imports.kinds import kind_of, kinds
from inventory.imports.runs import apply_import, stage_import
from inventory.models import Balance, ImportRow, ImportRun, Movement, Place, PlaceEvent, ShimFamily
from inventory.selectors.audit import audit
from inventory.services.holds import Wanted, hold_shims
from inventory.spreadsheets.writing import csv_chunks
from shop.background.work import work_once
from shop.db import atomic_write
from shop.errors import Conflict, Forbidden, Invalid, NotFound, WrongState

pytestmark = pytest.mark.django_db(transaction=True)

HEADING = "bin,family,thickness [mm],condition,quantity\n"


@pytest.fixture
def bring_in(site, boss, at):
    def act(text: str, kind: str = "stock", name: str = "drawer.csv") -> ImportRun:
        run = stage_import(site=site, actor=boss, at=at, kind=kind, file=io.BytesIO(text.encode()), name=name)
        work_once()
        run.refresh_from_db()
        return run

    return act


@pytest.fixture
def applied(boss, at):
    def act(run: ImportRun) -> ImportRun:
        apply_import(run=run, actor=boss, at=at)
        work_once()
        run.refresh_from_db()
        return run

    return act


def export(kind: str, site) -> str:
    table = kind_of(kind)
    return b"".join(csv_chunks([c.heading for c in table.columns], table.export(site))).decode()


def fates(run):
    return list(run.staged.values_list("number", "fate"))


def on_hand(place, nm, condition="new"):
    return Balance.objects.get(place=place, thickness_nm=nm, condition=condition).on_hand


def test_a_drawer_is_brought_to_the_table(bring_in, applied, receive, bins, family):
    receive(0, 5)
    receive(1, 2)
    run = bring_in(
        HEADING
        + "A1,disc29,2.625,new,3\nA2,disc29,2.650,new,2\nA3,disc29,2.675,new,7\nA3,disc29,2.681,used,1\n"
    )
    assert run.state == ImportRun.State.CHECKED, run.message
    assert fates(run) == [(2, "changed"), (3, "same"), (4, "new"), (5, "new")]
    assert on_hand(bins[0], 2_625_000) == 5  # a dry run changes nothing
    run = applied(run)
    assert run.state == ImportRun.State.APPLIED, run.message
    assert on_hand(bins[0], 2_625_000) == 3
    assert on_hand(bins[2], 2_675_000) == 7
    assert on_hand(bins[2], 2_681_000, "used") == 1
    assert Movement.objects.latest("seq").reason == "count"
    assert audit() == []


def test_inches_are_read_in_inches(bring_in, applied, bins, family):
    run = applied(bring_in("bin,family,thickness [in],condition,quantity\nA3,disc29,0.1055,used,2\n"))
    assert run.state == ImportRun.State.APPLIED
    assert on_hand(bins[2], 2_679_700, "used") == 2


def test_one_bad_row_leaves_nothing_behind(bring_in, boss, at, bins, family):
    good = "".join(f"A{n % 4 + 1},disc29,{2 + n * 0.025:.3f},new,1\n" for n in range(40))
    run = bring_in(HEADING + good + "A1,disc29,2.651,new,1\n")
    assert run.state == ImportRun.State.REFUSED
    assert (run.new, run.wrong) == (40, 1)
    wrong = run.staged.get(fate="wrong")
    assert wrong.number == 42
    assert "2.650" in wrong.message  # the nearest size that is made
    with pytest.raises(
        WrongState, match=r"drawer\.csv has errors; only a table that is read and has no errors"
    ):
        apply_import(run=run, actor=boss, at=at)
    assert not Balance.objects.exists()
    assert not Movement.objects.exists()


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("Z9,disc29,2.625,new,1", "no bin Z9 in use at North Yard"),
        ("A1,disc30,2.625,new,1", "no shim family disc30"),
        ("A1,disc29,2.625,new,-1", "no whole number"),
        ("A1,disc29,2.625,new,1.5", "no whole number"),
        ("A1,disc29,2.625,worn,1", "not one of new, used"),
        ("A1,disc29,3.225,new,1", "2.000 to 3.200 mm"),
        ("A1,disc29,,new,1", "thickness: must not be empty"),
        ("A1,disc29,2.6e0,new,1", "thickness:"),
        ("A1,disc29,2.625,new,100001", "more than 100,000"),
    ],
)
def test_a_wrong_row_says_what_is_wrong(bring_in, bins, family, row, said):
    run = bring_in(HEADING + row + "\n")
    assert run.state == ImportRun.State.REFUSED
    assert said in run.staged.get().message


def test_duplicates_are_explained(bring_in, bins, family):
    run = bring_in(HEADING + "A1,disc29,2.625,new,1\nA1,disc29,2.6250,new,2\n")
    assert "same shims in the same bin as row 2" in run.staged.get(number=3).message


def test_a_count_below_what_is_held_is_refused(bring_in, receive, bins, family, site, tech, at):
    receive(0, 5)
    wanted = Wanted(place=bins[0], family_id=family.id, thickness_nm=2_625_000, condition="new", quantity=3)
    hold_shims(site=site, actor=tech, at=at, lines=[wanted], reference="calc-1")
    run = bring_in(HEADING + "A1,disc29,2.625,new,2\n")
    assert "3 of them are held" in run.staged.get().message


def test_books_that_moved_since_the_check_stop_the_whole_table(bring_in, applied, receive, bins, family):
    run = bring_in(HEADING + "A2,disc29,2.650,new,4\nA1,disc29,2.625,new,3\n")
    receive(0, 5)
    run = applied(run)
    assert run.state == ImportRun.State.FAILED
    assert "A1 had 0 when the table was checked and has 5 now" in run.message
    assert not Balance.objects.filter(place=bins[1]).exists()
    assert audit() == []


def test_a_table_is_applied_once(bring_in, applied, boss, at, bins, family):
    run = applied(bring_in(HEADING + "A1,disc29,2.625,new,3\n"))
    with pytest.raises(WrongState, match="applied"):
        apply_import(run=run, actor=boss, at=at)
    work_once()
    assert on_hand(bins[0], 2_625_000) == 3


def test_stock_bins_and_families_come_back_as_they_went(bring_in, applied, receive, bins, family, site):
    receive(0, 5)
    receive(3, 2)
    for kind in ("stock", "bins", "families"):
        text = export(kind, site)
        run = bring_in(text, kind)
        assert run.state == ImportRun.State.CHECKED, run.message
        assert set(run.staged.values_list("fate", flat=True)) == {"same"}
        assert export(kind, site) == text


def test_new_families_and_bins(bring_in, applied, site, family, boss):
    applied(
        bring_in(
            "code,name,form,marking,diameter [mm],thinnest [mm],thickest [mm],step [mm]\n"
            "cap9,9 mm cap,cap,decimal,9.0,1.200,2.400,0.050\n"
            "disc29,Disc of 29 mm,disc_over,thousandths,29,2,3.2,0.025\n",
            "families",
        )
    )
    assert ShimFamily.objects.get(code="cap9").max_nm == 2_400_000
    assert ShimFamily.objects.get(code="disc29").name == "Disc of 29 mm"
    applied(
        bring_in(
            "code,cabinet,row,column,family,size [mm],capacity\nC1,C,1,1,cap9,1.250,20\nC2,C,1,2,,,\n", "bins"
        )
    )
    place = Place.objects.get(site=site, code="C1")
    assert (place.family.code, place.size_nm, place.capacity) == ("cap9", 1_250_000, 20)
    assert Place.objects.get(site=site, code="C2").family is None
    added = PlaceEvent.objects.get(place=place)
    assert (added.act, added.by) == ("add", boss.label)
    assert added.text == "Added at cabinet C, row 1, column 1, for 1.250 mm of cap9, up to 20, by a table"


@pytest.mark.parametrize(
    ("kind", "text", "said"),
    [
        (
            "families",
            "code,name,form,marking,diameter [mm],thinnest [mm],thickest [mm],step [mm]\n"
            "disc29,x,disc_over,thousandths,29,2,3.3,0.025\n",
            "cannot change, because stock is counted by them",
        ),
        (
            "families",
            "code,name,form,marking,diameter [mm],thinnest [mm],thickest [mm],step [mm]\n"
            "new,x,disc_over,thousandths,29,2,3.3,0.3\n",
            "cannot be entered",
        ),
        ("bins", "code,cabinet,row,column,family,size [mm]\nT1,A,1,9,,\n", "another place"),
        ("bins", "code,cabinet,row,column,family,size [mm]\nB1,A,0,9,,\n", "row must be 1"),
        ("bins", "code,cabinet,row,column,family,size [mm]\nB1,A,1,9,,2.0\n", "needs its family"),
        ("bins", "code,cabinet,row,column\nB1,A,1,9\nB2,A,1,9\n", "row 2 has the same place"),
    ],
)
def test_wrong_families_and_bins(bring_in, bins, tray, kind, text, said):
    run = bring_in(text, kind)
    assert run.state == ImportRun.State.REFUSED
    assert any(said in message for message in run.staged.values_list("message", flat=True))


def test_only_a_manager_of_the_site_imports(site, clerk, stranger, at):
    for actor, refusal in ((clerk, Forbidden), (stranger, NotFound)):
        with pytest.raises(refusal):
            stage_import(site=site, actor=actor, at=at, kind="stock", file=io.BytesIO(b"bin\n"), name="x.csv")
    assert not ImportRun.objects.exists()


def test_no_table_and_no_kind(site, boss, at):
    with pytest.raises(Invalid, match=r"Only \.csv"):
        stage_import(site=site, actor=boss, at=at, kind="stock", file=io.BytesIO(b"x"), name="x.pdf")
    with pytest.raises(NotFound, match="there are: bins"):
        stage_import(site=site, actor=boss, at=at, kind="nails", file=io.BytesIO(b"x"), name="x.csv")
    assert {kind.code for kind in kinds()} >= {"stock", "bins", "families"}


def test_a_missing_column_stands_in_the_run(bring_in):
    run = bring_in("bin,family\nA1,disc29\n")
    assert run.state == ImportRun.State.REFUSED
    assert "Missing: thickness [mm]" in run.message
    assert not ImportRow.objects.exists()


def test_a_table_moves_and_changes_bins_as_a_person_would(bring_in, applied, bins, family, boss):
    """Each change of a bin is written into its history, and positions are exchanged whatever the order."""
    run = bring_in(
        "code,cabinet,row,column,family,size [mm],capacity\n"
        "A1,A,1,2,disc29,2.625,\nA2,A,1,3,disc29,2.650,\nA3,A,1,1,disc29,2.675,\nA4,A,1,4,disc29,,30\n",
        "bins",
    )
    told = list(ImportRow.objects.filter(run=run).order_by("number").values_list("message", flat=True))
    assert (told[0], told[3]) == (
        "column: 1 becomes 2",
        "size: 2.700 mm becomes none; capacity: none becomes 30",
    )
    applied(run)
    positions = {place.code: place.column for place in Place.objects.filter(pk__in=[b.pk for b in bins])}
    assert positions == {"A1": 2, "A2": 3, "A3": 1, "A4": 4}
    events = PlaceEvent.objects.filter(place=bins[3]).exclude(act=PlaceEvent.Act.ADD)
    assert [(event.act, event.text) for event in events] == [
        ("edit", "Was for 2.700 mm of disc29; now for disc29, up to 30")
    ]
    moved = PlaceEvent.objects.filter(act="relocate", place=bins[0]).first()
    assert moved.text == "From cabinet A, row 1, column 1 to cabinet A, row 1, column 2, by a table"
    assert moved.by == boss.label
    before = PlaceEvent.objects.count()
    assert bring_in(
        "code,cabinet,row,column,family,size [mm],capacity\nA1,A,1,2,disc29,2.625,\n", "bins"
    ).same
    assert PlaceEvent.objects.count() == before


@pytest.mark.parametrize(
    ("row", "said"), [("B1,A,1000,1,,", "row must be 1 to 999"), ("B1,A,1,0,,", "column")]
)
def test_a_position_that_no_cabinet_has(bring_in, bins, row, said):
    run = bring_in(f"code,cabinet,row,column,family,size [mm]\n{row}\n", "bins")
    assert said in run.staged.get().message


def test_a_place_in_the_cabinet_where_another_bin_stands(bring_in, applied, bins):
    """The check says so; where another bin came to stand there only after it, nothing is applied."""
    heading = "code,cabinet,row,column,family,size [mm]\n"
    run = bring_in(heading + "B1,A,9,9,,\nA1,A,1,3,disc29,2.625\n", "bins")
    assert (run.state, run.new, run.wrong) == (ImportRun.State.REFUSED, 1, 1)
    assert run.staged.get(number=3).message.endswith(
        "the bin A3 stands there; give it another place in the table"
    )
    run = bring_in(heading + "B1,A,9,9,,\n", "bins")
    Place.objects.filter(pk=bins[2].pk).update(row=9, column=9)
    run = applied(run)
    assert run.state == ImportRun.State.FAILED
    assert "A3 stands where the table puts B1" in run.message
    assert not Place.objects.filter(code="B1").exists()


def test_bins_of_a_table_change_places_with_each_other(bring_in, applied, bins):
    run = applied(bring_in("code,cabinet,row,column\nA1,A,1,2\nA2,A,1,3\nA3,A,1,1\nB1,A,9,9\n", "bins"))
    assert run.state == ImportRun.State.APPLIED, run.message
    placed = Place.objects.filter(code__in=["A1", "A2", "A3"]).order_by("code")
    assert [place.column for place in placed] == [2, 3, 1]


def test_a_bin_without_a_place_in_a_cabinet(bring_in, applied, bins, site):
    run = applied(bring_in("code,cabinet,row,column\nA1,,,\nB1,,,\nB2,,,\n", "bins"))
    assert run.state == ImportRun.State.APPLIED, run.message
    assert Place.objects.filter(site=site, kind="bin", cabinet="", row=None).count() == 3
    wrong = bring_in("code,cabinet,row,column\nB3,A,1,\n", "bins").staged.get()
    assert "leave all three empty" in wrong.message


def test_books_that_move_while_the_table_is_made_ready(bring_in, receive, bins, family, site, boss, at):
    """Between the look and the one transaction somebody puts shims in: nothing of the table is booked."""
    run = bring_in(HEADING + "A2,disc29,2.650,new,4\nA1,disc29,2.625,new,3\n")
    rows = [(row.number, row.values) for row in run.staged.all()]
    write = kind_of("stock").prepare(
        site=site, actor=boss, at=at, rows=rows, document="drawer", say=lambda done, of: None
    )
    receive(0, 5)
    refusal = "Row 3: A1 had 0 when the table was checked and has 5 now"
    with pytest.raises(Conflict, match=refusal), atomic_write():
        write()
    assert Movement.objects.count() == 1
    assert on_hand(bins[1], 2_650_000) == 0
    assert audit() == []


def test_many_counts_become_whole_movements(bring_in, applied, bins, family, site):
    """More rows than a movement has lines, up and down; of one size the difference is one line a movement."""
    up = "".join(f"A{n % 4 + 1},disc29,{2 + n // 4 * 0.001:.3f},used,{n % 5 + 1}\n" for n in range(1_300))
    assert applied(bring_in(HEADING + up)).state == ImportRun.State.APPLIED
    sizes = [lines.count() for lines in (m.lines for m in Movement.objects.all())]
    assert max(sizes) <= 500
    assert sum(sizes) < 1_300 * 2
    assert sum(Balance.objects.filter(place__kind="bin").values_list("on_hand", flat=True)) == sum(
        n % 5 + 1 for n in range(1_300)
    )
    down = "".join(f"A{n % 4 + 1},disc29,{2 + n // 4 * 0.001:.3f},used,{n % 2}\n" for n in range(1_300))
    assert applied(bring_in(HEADING + down)).state == ImportRun.State.APPLIED
    assert sum(Balance.objects.filter(place__kind="bin").values_list("on_hand", flat=True)) == 650
    assert sum(Balance.objects.values_list("on_hand", flat=True)) == 0
    assert audit() == []
