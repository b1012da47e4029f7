"""The mix: what is read off the ledger's lines, what is lent between sizes, and how many are enough."""

from collections import Counter
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from itertools import pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from inventory.compute.demand import Line, Taken, smoothed, spread, taken, window
from inventory.compute.sizes import FamilyRange
from inventory.compute.stockmix import SizeFacts, Terms, chance, enough, propose

NOW = datetime(2026, 3, 31, 8, tzinfo=UTC)
FAMILY = FamilyRange(min_nm=2_000_000, max_nm=2_500_000, step_nm=25_000)
NM = 2_250_000
LOOKED_AT = window(NOW, 24, datetime(2020, 1, 1, tzinfo=UTC))
counts = st.lists(st.integers(0, 40), min_size=1, max_size=30)
levels = st.integers(500, 999).map(lambda thousandths: Fraction(thousandths, 1000))
spreads = st.integers(100, 400).map(lambda hundredths: Fraction(hundredths, 100))
means = st.integers(1, 60_000).map(lambda thousandths: thousandths / 1000)


def facts(numbers, on_hand=0, lead_days=2, capacity=None):
    return [
        SizeFacts(
            size_nm=2_000_000 + 25_000 * index,
            taken=number,
            on_hand=on_hand,
            lead_days=lead_days,
            capacity=capacity,
        )
        for index, number in enumerate(numbers)
    ]


def terms(service=Fraction(95, 100), **more):
    return Terms(**{"service": service, "review_days": 5, "looked_at": LOOKED_AT} | more)


def proposed(numbers, **more):
    return [each.proposed for each in propose(facts(numbers), terms(**more))]


class TestTaken:
    def line(self, quantity, *, job="J", fit=False, tray=False, new=False, nm=NM, day=0):
        at = NOW - timedelta(days=day)
        return Line(job=job, at=at, fit=fit, tray=tray, new=new, thickness_nm=nm, quantity=quantity)

    def counted(self, *lines):
        found = Counter()
        for each in taken(lines, FAMILY):
            found[each.size_nm] += each.quantity
        return dict(found)

    def test_new_shims_count_where_they_go_into_the_engine(self):
        handed_out = [self.line(-3, new=True), self.line(3, tray=True, new=True)]
        fitted = [self.line(-1, fit=True, tray=True, new=True), self.line(-1, fit=True, tray=True, new=True)]
        assert self.counted(*handed_out, *fitted) == {NM: 2}  # the third one comes back

    def test_a_used_one_from_a_drawer_counts_at_the_size_it_stood_in_for(self):
        worn = NM - 9_000
        out = [self.line(-1, nm=worn), self.line(1, tray=True, nm=worn)]
        assert self.counted(*out, self.line(-1, fit=True, tray=True, nm=worn)) == {NM: 1}
        assert self.counted(self.line(-1, fit=True, nm=worn)) == {NM: 1}  # held in the drawer until the fit

    def test_swaps_and_what_came_back_count_nothing(self):
        swap = self.line(-1, fit=True, tray=True)
        assert self.counted(swap) == {}
        back = [self.line(-1), self.line(1, tray=True), self.line(1), self.line(-1, tray=True)]
        assert self.counted(*back, swap) == {}
        of_another = [self.line(-1, job="K"), self.line(1, job="K", tray=True)]
        assert self.counted(*of_another, swap) == {}

    def test_of_one_from_the_drawer_and_one_from_the_engine_one_counts(self):
        both = [self.line(-1, fit=True, tray=True)] * 2
        assert self.counted(self.line(-1), self.line(1, tray=True), *both) == {NM: 1}


class TestWindow:
    @pytest.mark.parametrize(
        ("at", "months", "begin"),
        [
            (datetime(2026, 3, 15, tzinfo=UTC), 24, datetime(2024, 3, 15, tzinfo=UTC)),
            (datetime(2026, 3, 31, tzinfo=UTC), 1, datetime(2026, 2, 28, tzinfo=UTC)),
            (datetime(2026, 1, 5, tzinfo=UTC), 1, datetime(2025, 12, 5, tzinfo=UTC)),
        ],
    )
    def test_back_to_the_same_day(self, at, months, begin):
        found = window(at, months, datetime(2000, 1, 1, tzinfo=UTC))
        assert (found.begin, found.young) == (begin, False)

    def test_not_back_beyond_the_books(self):
        found = window(NOW, 24, NOW - timedelta(days=70))
        assert (found.days, found.words, found.working_days) == (70, "10 weeks", 50)
        assert window(NOW, 24, NOW - timedelta(days=300)).words == "10 months"

    def test_books_of_a_few_days_count_as_four_weeks(self):
        for begun in (NOW - timedelta(days=2), None):
            assert window(NOW, 24, begun).days == 28


class TestSmoothed:
    @given(counts)
    def test_the_sum_is_kept_and_nothing_is_below_zero(self, numbers):
        found = smoothed(numbers)
        assert sum(found) == sum(numbers)
        assert min(found) >= 0

    @given(counts, st.data())
    def test_one_more_lowers_no_size(self, numbers, data):
        index = data.draw(st.integers(0, len(numbers) - 1))
        more = [number + (position == index) for position, number in enumerate(numbers)]
        assert all(after >= before for before, after in zip(smoothed(numbers), smoothed(more), strict=True))

    def test_by_hand(self):
        third, ninth = Fraction(1, 3), Fraction(1, 9)
        lone = [ninth, 2 * ninth, third, 2 * ninth, ninth]
        assert smoothed([0, 0, 0, 1, 0, 0, 0]) == [0, *lone, 0]
        assert smoothed([1, 0, 0]) == [third + third, 2 * ninth, ninth]  # a half would fall off the end
        assert smoothed([0, 0, 38, 0, 0])[2] == 38 - Fraction(19, 10)


class TestSpread:
    def on(self, *days, nm=NM, quantity=1):
        return [Taken(size_nm=nm, at=NOW - timedelta(days=day), quantity=quantity) for day in days]

    def test_by_hand(self):
        looked_at = window(NOW, 24, NOW - timedelta(days=112))  # four periods
        assert spread(self.on(1, 2, 3, 4), looked_at) == 4  # 0, 0, 0, 4: mean 1, variance 4
        apart = [*self.on(1, 2, 3, 4), *self.on(1, 30, 60, 90, nm=NM + 25_000)]
        assert spread(apart, looked_at) == 2  # 4 and 0 over 1 and 1

    def test_evenly_taken_is_no_less_than_chance(self):
        assert spread(self.on(*range(1, 700, 28)), LOOKED_AT) == 1
        assert spread([], LOOKED_AT) == 1
        assert spread(self.on(1, 1, 1), window(NOW, 24, NOW)) == 1  # one period says nothing


class TestEnough:
    @given(means, levels, spreads)
    def test_the_smallest_that_reaches_it(self, mean, service, ratio):
        number = enough(mean, float(service), float(ratio))
        assert number >= 1
        assert chance(number, mean, float(ratio)) >= service
        assert chance(number - 1, mean, float(ratio)) < service

    @given(means, means, levels, levels, spreads)
    def test_more_demand_or_more_service_never_lowers_it(self, mean, other, service, higher, ratio):
        small, large = sorted((mean, other))
        low, high = sorted((service, higher))
        lowest = enough(small, float(low), float(ratio))
        assert lowest <= enough(large, float(low), float(ratio))
        assert lowest <= enough(small, float(high), float(ratio))

    def test_nothing_asked_for_takes_nothing(self):
        assert enough(0.0, 0.95) == 0
        assert chance(0, 2.0) == 0
        for service in (0, 1, 95):
            with pytest.raises(ValueError, match="between 0 and 1"):
                enough(1.0, service)

    @pytest.mark.parametrize(("kept", "lasts"), [(1, 3), (2, 4), (3, 4)])
    def test_a_request_is_met_when_fewer_than_kept_came_within_the_time_before(self, kept, lasts):
        """The law that the chance stands for, by playing the drawer day by day through every pattern of ten
        days; each shim taken or owed is ordered at once and is there after `lasts` days."""
        for days in product((False, True), repeat=10):
            stock = kept  # below zero: owed
            for day, asked in enumerate(days):
                stock += day > lasts and days[day - lasts - 1]
                before = days[max(day - lasts, 0) : day]
                if asked:
                    assert (stock > 0) == (sum(before) < kept), days
                    stock -= 1


class TestPropose:
    @settings(max_examples=40)
    @given(counts, st.data(), levels, levels, spreads)
    def test_more_history_never_lowers_a_number_and_more_service_neither(
        self, numbers, data, service, other, ratio
    ):
        low, high = sorted((service, other))
        index = data.draw(st.integers(0, len(numbers) - 1))
        more = [number + (position == index) for position, number in enumerate(numbers)]
        first = proposed(numbers, service=low, spread=ratio)
        for then in (
            proposed(more, service=low, spread=ratio),
            proposed(numbers, service=high, spread=ratio),
        ):
            assert all(after >= before for before, after in zip(first, then, strict=True))
            assert sum(then) >= sum(first)

    def test_the_sentences(self):
        said = propose(facts([0, 0, 0, 0, 9, 0, 0, 0, 0, 0, 1, 0]), terms())
        share = "with its neighbours’ share"
        seldom = "less than once in ten years, so buy it when it is asked for"
        assert [said[index].why for index in (1, 4, 6, 8, 10)] == [
            "None fitted in 24 months, nor of the sizes beside it.",
            f"Fitted 9 in 24 months, 7.4 {share}; 2 last 7 working days at 99 in 100.",
            f"Fitted 0 in 24 months, 0.3 {share}; 1 lasts 7 working days at 99 in 100.",
            f"Fitted 0 in 24 months, 0.1 {share}: {seldom}.",
            f"Fitted 1 in 24 months, 0.4 {share}; 1 lasts 7 working days at 99 in 100.",
        ]
        assert [(said[index].proposed, said[index].chance) for index in (1, 4, 8)] == [
            (0, None),
            (2, 99),
            (0, None),
        ]

    def test_no_more_than_the_bins_take(self):
        (size,) = propose(facts([400], capacity=3), terms())
        assert size.proposed == 3
        assert size.why.endswith("would last 7 working days, and its bins take 3.")

    def test_a_supplier_that_takes_longer_takes_more(self):
        near, far = (propose(facts([60], lead_days=days), terms())[0] for days in (1, 20))
        assert near.proposed < far.proposed
        assert (near.protection_days, far.protection_days) == (6, 25)

    def test_far_too_many(self):
        few, many = (propose(facts([4], on_hand=on_hand), terms())[0] for on_hand in (5, 30))
        assert (few.beyond, few.why_beyond) == (0, "")
        lasts = enough(4.0 * 24 * 1461 / 48 / LOOKED_AT.days, 0.95)
        assert many.beyond == 30 - lasts
        assert many.why_beyond == f"30 lie there, {lasts} would do for the next 24 months: stop buying it."

    def test_one_that_nobody_asks_for(self):
        one, two = (propose(facts([0], on_hand=on_hand), terms())[0] for on_hand in (1, 2))
        assert (one.beyond, two.beyond) == (0, 2)
        assert two.why_beyond == "2 lie there, none would do for the next 24 months: stop buying it."


def test_pairs_of_service_levels_on_a_usual_drawer():
    numbers = [0, 1, 2, 5, 9, 14, 9, 6, 2, 1, 0]
    totals = [sum(proposed(numbers, service=Fraction(level, 100))) for level in (80, 90, 95, 98, 99)]
    assert all(low <= high for low, high in pairwise(totals))
    assert totals[0] < totals[-1]
