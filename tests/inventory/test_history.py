"""History, filtered and exported; and everything that happened to a bin, a size, a job, by a person."""

import uuid
from datetime import timedelta

import pytest

from inventory.compute.lengths import from_nm
from inventory.models import Condition, Movement, MovementLine
from inventory.selectors.history import HistoryFilter, history, history_rows
from inventory.selectors.stories import story_of_bin, story_of_job, story_of_person, story_of_size
from inventory.services.bin_content import merge_bins
from inventory.services.bins import relocate_bin, restore_bin, retire_bin
from inventory.services.counting import Found, key_count, open_counts
from inventory.services.fitting import Fitted, OneShim, fit_shims, recover_shims
from inventory.services.floor import Shims, move_shims, reverse_movement
from inventory.services.holds import Wanted, hold_shims, release_hold
from inventory.services.inspecting import inspect_shim
from inventory.services.purchasing import Lack, note_needs
from inventory.services.transfers import arrive_shims, send_shims

pytestmark = pytest.mark.django_db

NM = 2_625_000
JOB = uuid.UUID("01900000-0000-7000-8000-000000000007")


@pytest.fixture
def day(site, other_site, clerk, tech, boss, stranger, at, family, bins, tray, receive):
    """A day at North Yard, an hour an act."""

    def hour(number):
        return at + timedelta(hours=number)

    def lot(quantity, place=None, nm=NM):
        return Shims(family=family, thickness_nm=nm, condition=Condition.NEW, quantity=quantity, place=place)

    receive(0, 5)
    move = move_shims(
        site=site, actor=clerk, at=hour(1), source=bins[0], shims=[lot(2, bins[1])], note="full"
    )
    reverse_movement(movement=move, actor=boss, at=hour(2), note="wrong drawer")
    wanted = Wanted(place=bins[0], family_id=family.id, thickness_nm=NM, condition=Condition.NEW, quantity=1)
    hold = hold_shims(site=site, actor=tech, at=hour(3), lines=[wanted], reference="Job 7", job_id=JOB)
    release_hold(hold=hold, actor=tech, at=hour(4), note="not needed")
    note_needs(
        site=site,
        at=hour(4),
        family=family,
        job_id=JOB,
        job_label="Job 7",
        needed_by=None,
        lacks=[Lack(thickness_nm=2_700_000, valve_label="3-EX")],
    )
    receive(2, 1)
    new = OneShim(family_id=family.id, thickness_nm=bins[2].size_nm, condition=Condition.NEW)
    pulled = OneShim(family_id=family.id, thickness_nm=2_630_000, condition=Condition.UNMEASURED)
    fit_shims(
        site=site,
        actor=tech,
        at=hour(5),
        tray=tray,
        pulled=[pulled],
        fitted=[Fitted(shim=new, source=bins[2])],
        job_id=JOB,
        document="Job 7",
    )
    recover_shims(site=site, actor=tech, at=hour(6), tray=tray, job_id=JOB, document="Job 7")
    found = Shims(family=family, thickness_nm=2_630_000, condition=Condition.UNMEASURED, quantity=1)
    inspect_shim(
        site=site,
        actor=tech,
        at=hour(7),
        found=found,
        readings=[from_nm(2_632_000)],
        face="good",
        marking_legible=True,
    )
    (count,) = open_counts(site=site, actor=clerk, at=hour(8), places=[bins[0]], why="asked")
    counted = Found(family=family, thickness=from_nm(NM), condition=Condition.NEW, quantity=5)
    key_count(count=count, actor=tech, at=hour(9), found=[counted])
    relocate_bin(place=bins[0], actor=clerk, at=hour(10), cabinet="B", row=2, column=2)
    transfer = send_shims(site=site, target=other_site, actor=clerk, at=hour(11), shims=[lot(1, bins[0])])
    arrive_shims(transfer=transfer, actor=stranger, at=hour(12))
    return hour


def told(lines):
    return [(line.movement.reason, line.place.code, line.quantity) for line in lines]


def test_the_newest_first(day, site):
    lines = told(history(site))
    assert lines[:3] == [("send", "transit", 1), ("send", "A1", -1), ("measure", "inspection", 1)]
    assert len(lines) == MovementLine.objects.filter(place__site=site, movement__site=site).count()


def test_of_transit_also_what_the_other_site_took_out(day, site, places):
    lines = told(history(site, HistoryFilter(place=places["transit"])))
    assert lines == [("arrive", "transit", -1), ("send", "transit", 1)]


def test_another_site_s_history_is_its_own(day, other_site):
    assert told(history(other_site)) == [("arrive", "receiving", 1)]


def test_every_filter_alone(day, site, bins, family, clerk, boss):
    cases = [
        (HistoryFilter(place=bins[1]), [("reverse", "A2", -2), ("move", "A2", 2)]),
        (
            HistoryFilter(reason="receive", thickest_nm=NM),
            [("receive", "A1", 5), ("receive", "supplier", -5)],
        ),
        (HistoryFilter(condition="used"), [("measure", "inspection", 1)]),
        (HistoryFilter(thinnest_nm=2_631_000, thickest_nm=2_640_000), [("measure", "inspection", 1)]),
        (HistoryFilter(user=boss.user), [("reverse", "A2", -2), ("reverse", "A1", 2)]),
        (HistoryFilter(actor="quist"), [("reverse", "A2", -2), ("reverse", "A1", 2)]),
        (
            HistoryFilter(document="DELIVERY", thinnest_nm=NM + 1),
            [("receive", "A3", 1), ("receive", "supplier", -1)],
        ),
        (HistoryFilter(since=day(11)), [("send", "transit", 1), ("send", "A1", -1)]),
        (
            HistoryFilter(until=day(1), thickest_nm=NM),
            [("receive", "A1", 5), ("receive", "supplier", -5)],
        ),
    ]
    for wanted, lines in cases:
        assert told(history(site, wanted)) == lines, wanted
    assert history(site, HistoryFilter(job_id=JOB)).count() == 6
    assert history(site, HistoryFilter(family=family)).count() == history(site).count()
    assert not history(site, HistoryFilter(thickest_nm=2_000_000)).exists()


def test_pairs_of_filters_narrow_each_other(day, site, bins, clerk):
    """Against a plain filter in Python over every line: each pair of filters, not only each alone."""
    choices = {
        "place": [bins[0], bins[1]],
        "reason": ["move", "reverse", "send"],
        "condition": ["new", "used"],
        "user": [clerk.user],
        "job_id": [JOB],
        "since": [day(2)],
        "until": [day(2)],
        "document": ["Job 7"],
        "thinnest_nm": [2_630_000],
    }
    tests = {
        "place": lambda line, value: line.place_id == value.pk,
        "reason": lambda line, value: line.movement.reason == value,
        "condition": lambda line, value: line.condition == value,
        "user": lambda line, value: line.movement.user_id == value.pk,
        "job_id": lambda line, value: line.movement.job_id == value,
        "since": lambda line, value: line.movement.at >= value,
        "until": lambda line, value: line.movement.at < value,
        "document": lambda line, value: value in line.movement.document,
        "thinnest_nm": lambda line, value: line.thickness_nm >= value,
    }
    every = list(history(site))
    for first, firsts in choices.items():
        for second, seconds in choices.items():
            for one in firsts:
                for two in seconds:
                    wanted = HistoryFilter(**{first: one, second: two})
                    one_really = getattr(wanted, first)
                    expected = [
                        line.pk
                        for line in every
                        if tests[first](line, one_really) and tests[second](line, two)
                    ]
                    assert [line.pk for line in history(site, wanted)] == expected, wanted


def test_rows_for_a_file(day, site, bins):
    rows = list(history_rows(history(site, HistoryFilter(place=bins[0]))))
    by_reason = {row.reason: row for row in rows}
    moved, undone = by_reason["move"], by_reason["reverse"]
    assert (moved.thickness, moved.quantity, moved.place, moved.family) == ("2.625", -2, "A1", "disc29")
    assert (moved.reversed_by, moved.reverses) == (undone.seq, None)
    assert (undone.reversed_by, undone.reverses) == (None, moved.seq)
    assert (moved.actor, moved.note, moved.job_id) == ("Tobi Lund", "full", "")


def test_rows_cost_no_query_each(day, site, django_assert_num_queries):
    with django_assert_num_queries(1):
        assert len(list(history_rows(history(site)))) > 10


def brief(story):
    return [(entry.kind, entry.what, entry.by) for entry in story]


def test_the_story_of_a_bin(day, bins, at):
    story = story_of_bin(bins[0], at=at).page()
    assert brief(story) == [
        ("movement", "Send to another site", "Tobi Lund"),
        ("bin", "Relocated", "Tobi Lund"),
        ("count", "Agrees with the books", "Ines Varga"),
        ("count", "Counted", "Ines Varga"),
        ("count", "Count asked for", "Tobi Lund"),
        ("hold", "Hold released", "Ines Varga"),
        ("hold", "Held", "Ines Varga"),
        ("movement", "Reverse", "Mara Quist"),
        ("movement", "Move", "Tobi Lund"),
        ("movement", "Receive", "Tobi Lund"),
        ("bin", "Added", "Coldgap"),
    ]
    texts = [entry.text for entry in story]
    assert "+5 × 2.625 mm new, A1: delivery 7" in texts
    assert "1 × 2.625 mm for Job 7: not needed" in texts
    assert "Count 1 of A1: asked" in texts
    assert story[-1].text == "Added at cabinet A, row 1, column 1, for 2.625 mm of disc29"


def test_a_story_is_read_page_by_page(day, bins, at):
    whole = story_of_bin(bins[0], at=at).page()
    pages = [story_of_bin(bins[0], at=at).page(limit=3, offset=offset) for offset in range(0, 12, 3)]
    assert [entry for page in pages for entry in page] == whole


def test_the_story_of_a_size(day, site, family, at):
    story = story_of_size(site, family, NM, at=at).page()
    assert ("inspection", "Inspected", "Ines Varga") in brief(story)
    assert ("hold", "Held", "Ines Varga") in brief(story)
    assert "2.632 mm, face good." in next(entry.text for entry in story if entry.kind == "inspection")
    assert story_of_size(site, family, 2_650_000, at=at).page() == []


def test_the_story_of_a_job(day, site, at):
    assert brief(story_of_job(site, JOB, at=at).page()) == [
        ("movement", "Recover", "Ines Varga"),
        ("movement", "Recover", "Ines Varga"),
        ("movement", "Fit", "Ines Varga"),
        ("movement", "Fit", "Ines Varga"),
        ("movement", "Pull from engine", "Ines Varga"),
        ("movement", "Pull from engine", "Ines Varga"),
        ("need", "To buy", ""),
        ("hold", "Hold released", "Ines Varga"),
        ("hold", "Held", "Ines Varga"),
    ]


def test_the_story_of_a_person(day, site, tech, boss, stranger):
    kinds = [entry.kind for entry in story_of_person(site, tech.user).page()]
    assert kinds.count("movement") == Movement.objects.filter(user=tech.user).count() * 2
    assert kinds.count("inspection") == 1
    assert [kinds.count(kind) for kind in ("hold", "count")] == [2, 2]
    assert brief(story_of_person(site, boss.user).page()) == [("movement", "Reverse", "Mara Quist")] * 2
    # What Odo took out of transit, he did in his own site's name.
    assert story_of_person(site, stranger.user).page() == []


def test_a_person_s_story_names_the_bin_and_tells_each_act_once(site, boss, bins, at):
    """Two bins have a merge, a split and an exchange of places in their histories; it is one act."""
    by = {"actor": boss, "at": at}
    relocate_bin(**by, place=bins[0], cabinet="A", row=bins[1].row, column=bins[1].column)
    retire_bin(**by, place=bins[2])
    restore_bin(**by, place=bins[2], note="needed")
    merge_bins(**by, source=bins[3], target=bins[2], widen=True)
    told = [(entry.what, entry.text, entry.thing) for entry in story_of_person(site, boss.user).page()]
    one, _, three, four = (str(place.pk) for place in bins)
    assert told == [
        ("Merged", "A4 merged into A3", four),
        ("Brought back into use", "A3: back in use: needed", three),
        ("Retired", "A3: out of use", three),
        (
            "Relocated",
            "A1: from cabinet A, row 1, column 1 to cabinet A, row 1, column 2, in exchange for A2",
            one,
        ),
    ]
    assert [entry.what for entry in story_of_bin(bins[3], at=at).page()] == ["Retired", "Merged", "Added"]
    assert [entry.what for entry in story_of_bin(bins[1], at=at).page()] == ["Relocated", "Added"]
