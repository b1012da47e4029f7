"""Put-away proposals as properties over drawn cabinets."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.putaway import BinView, propose_bins

FAMILY, OTHER = "disc29", "cap9"
GRADES = [2_600_000, 2_625_000, 2_650_000]


@st.composite
def cabinets(draw):
    views = []
    for index in range(draw(st.integers(0, 14))):
        family = draw(st.sampled_from([FAMILY, FAMILY, OTHER, None]))
        content = draw(st.integers(0, 6))
        held = draw(st.sets(st.tuples(st.sampled_from([FAMILY, OTHER]), st.sampled_from(GRADES)), max_size=2))
        placed = draw(st.booleans())
        views.append(
            BinView(
                code=f"B{index:02d}",
                cabinet=draw(st.sampled_from("AB")) if placed else "",
                row=draw(st.integers(1, 4)) if placed else None,
                column=draw(st.integers(1, 4)) if placed else None,
                family=family,
                size_nm=draw(st.sampled_from([None, *GRADES])) if family else None,
                capacity=draw(st.sampled_from([None, 3, 6])),
                content=content,
                grades=frozenset(held) if content else frozenset(),
            )
        )
    return views


def may_take(view, grade_nm, views):
    if view.size_nm is not None:
        sizes = {one.size_nm for one in views if one.family == FAMILY and one.size_nm is not None}
        nearest = min(sizes, key=lambda size: (abs(size - grade_nm), size), default=None)
        return view.family == FAMILY and view.size_nm == nearest
    return view.family in (None, FAMILY) and (not view.content or view.grades == {(FAMILY, grade_nm)})


@given(cabinets(), st.sampled_from(GRADES), st.integers(1, 30), st.randoms())
def test_shims_go_where_they_may_and_nowhere_else(views, grade_nm, quantity, random):
    proposal = propose_bins(FAMILY, grade_nm, quantity, views)
    by_code = {view.code: view for view in views}
    assert sum(share.quantity for share in proposal.shares) + proposal.left == quantity
    for share in proposal.shares:
        view = by_code[share.code]
        assert share.quantity >= 1
        assert may_take(view, grade_nm, views)
        assert view.room is None or share.quantity <= view.room
    if proposal.left:
        room = {view.code: view.room for view in views if may_take(view, grade_nm, views)}
        assert None not in room.values()
        assert sum(room.values()) == quantity - proposal.left
    shuffled = list(views)
    random.shuffle(shuffled)
    assert propose_bins(FAMILY, grade_nm, quantity, shuffled) == proposal


@given(cabinets(), st.sampled_from(GRADES))
def test_a_grade_s_own_bin_comes_first(views, grade_nm):
    own = [view for view in views if view.family == FAMILY and view.size_nm == grade_nm and view.room != 0]
    proposal = propose_bins(FAMILY, grade_nm, 1, views)
    if own:
        assert proposal.shares[0].code in {view.code for view in own}
        assert proposal.shares[0].why.startswith("kept for ")


def view(code, row, column, cabinet="A", **more):
    fields = {"family": None, "size_nm": None, "capacity": 10, "content": 0} | more
    return BinView(code=code, cabinet=cabinet, row=row, column=column, **fields)


def kept(code, row, column, size_nm, content=10):
    return view(code, row, column, family=FAMILY, size_nm=size_nm, content=content)


def codes(views, quantity=1, grade_nm=2_625_000):
    return [share.code for share in propose_bins(FAMILY, grade_nm, quantity, views).shares]


def test_the_nearest_free_bin_counts_drawers_from_the_grade_s_own():
    own = kept("A12", 3, 3, 2_625_000)
    assert codes([own, view("near", 4, 3), view("far", 1, 1)]) == ["near"]
    assert codes([own, view("left", 3, 1), view("up", 2, 3)]) == ["up"]


def test_a_bin_of_the_same_cabinet_is_nearer_than_any_of_another():
    own = kept("A12", 3, 3, 2_625_000)
    assert codes([own, view("same place", 3, 3, cabinet="B"), view("corner", 9, 9)]) == ["corner"]


def test_without_a_bin_of_its_own_the_neighbour_s_decides_the_thinner_one_first():
    thinner, thicker = kept("thin", 1, 1, 2_600_000), kept("thick", 9, 9, 2_650_000)
    assert codes([thicker, thinner, view("by thick", 9, 8), view("by thin", 1, 2)]) == ["by thin"]


def test_a_bin_that_holds_the_grade_already_comes_before_an_empty_one():
    own = kept("own", 1, 1, 2_625_000)
    second = view("second", 9, 9, content=4, grades=frozenset({(FAMILY, 2_625_000)}))
    assert codes([own, view("empty", 1, 2), second], quantity=8) == ["second", "empty"]


def test_what_lies_between_two_kept_sizes_goes_to_the_nearer_one_last_of_all():
    thinner, thicker = kept("thin", 1, 1, 2_600_000, content=4), kept("thick", 1, 2, 2_650_000, content=4)
    assert codes([thicker, thinner], quantity=2) == ["thin"]
    (share,) = propose_bins(FAMILY, 2_625_000, 1, [thicker, thinner]).shares
    assert share.why == "kept for 2.600 mm, the nearest size to 2.625 mm"
    assert codes([thicker, thinner, view("empty", 9, 9, capacity=3)], quantity=5) == ["empty", "thin"]
    full = kept("own", 3, 3, 2_625_000)
    assert codes([full, thinner, thicker]) == []


def test_nothing_cannot_be_put_away():
    with pytest.raises(ValueError, match="nothing"):
        propose_bins(FAMILY, 2_625_000, 0, [])
