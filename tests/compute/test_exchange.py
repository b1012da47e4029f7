"""What a look back after fitting finds: on fittings made up with and without faults, and one by one.

The bars are those of issue 4: of 2,000 fittings with one exchange of shims that differ by at least two leaf
steps and 0.01 mm at least 98 % are found with the right pair; of 10,000 without a fault at most 0.5 % raise
a false alarm; a closer exchange is never a finding.
"""

import random
from dataclasses import replace
from fractions import Fraction

import pytest

from jobs.compute.exchange import FittedValve, Fitting, differs, look_back
from jobs.compute.planner import Uncertainty
from tests.compute.fittings import METRIC, THOU, bench


def least_apart(made):
    """Two leaf steps as thickness, rounded up, and 0.01 mm at least."""
    return max(10_000, -(-2 * made.leaf * made.ratio.denominator // made.ratio.numerator))


def with_one_exchange(count, pairs_of):
    """So many fittings in which one pair out of `pairs_of(bench)` was exchanged, with the pair's labels."""
    seed = 0
    while count:
        seed += 1
        made = bench(seed)
        if pairs := pairs_of(made):
            count -= 1
            pair = random.Random(f"pair {seed}").choice(pairs)
            yield look_back(made.exchanged(*pair).fitting()), tuple(made.labels[index] for index in pair)


def test_the_three_figures(capsys, size):
    exchanges, clean, close = size((500, 2_500, 250), (2_000, 10_000, 1_000))
    found = sum(
        any(
            one.explained and one.causes[0].kind == "exchange" and one.labels == pair for one in told.findings
        )
        for told, pair in with_one_exchange(exchanges, lambda made: made.pairs(least_apart(made)))
    )
    false_alarms = sum(
        bool(look_back(bench(seed).fitting()).findings) for seed in range(50_000, 50_000 + clean)
    )
    named = told_apart = 0
    for told, pair in with_one_exchange(close, lambda made: made.pairs(1, least_apart(made) - 1)):
        named += bool(told.findings)
        told_apart += pair in told.alike
    with capsys.disabled():
        print(
            f"\nexchanges found with the right pair: {found} of {exchanges} ({found / exchanges:.2%}); "
            f"false alarms: {false_alarms} of {clean} ({false_alarms / clean:.2%}); "
            f"exchanges too close for the leaf: {told_apart} of {close} said so, {named} named as findings"
        )
    assert found >= 0.98 * exchanges
    assert false_alarms <= 0.005 * clean
    assert (named, told_apart) == (0, close)


def test_three_shims_that_went_round_are_named_with_who_has_whose():
    """Not a bar of the issue: before rings were weighed, two thirds of these were said to have a reading that
    could not be right."""
    seed = found = wrong = 0
    count = 300
    while count:
        seed += 1
        made = bench(seed)
        far = set(made.pairs(least_apart(made)))
        rings = [
            (one, other, third)
            for one, other in sorted(far)
            for third in range(other + 1, len(made.labels))
            if (one, third) in far and (other, third) in far
        ]
        if not rings:
            continue
        count -= 1
        one, other, third = random.Random(f"ring {seed}").choice(rings)
        # The first has the third one's now, that has the second one's, and that the first one's.
        told = look_back(made.exchanged(one, other).exchanged(one, third).fitting())
        ring = tuple(made.labels[index] for index in (one, third, other))
        found += [(each.causes[0].kind, each.labels, each.explained) for each in told.findings] == [
            ("ring", ring, True)
        ]
        wrong += any(each.explained and each.causes[0].kind != "ring" for each in told.findings)
    assert found >= 294, (found, wrong)
    assert wrong == 0


def test_a_ring_says_who_has_whose():
    low, middle, high = 2_500_000, 2_600_000, 2_700_000
    told = look_back(
        Fitting(
            valves=(
                # Each was to come out at 0.17 mm; the first has the second one's, and so on.
                fitted("A", put_in=low, before=70_000, after=70_000),
                fitted("B", put_in=middle, after=70_000),
                fitted("C", put_in=high, before=270_000, after=370_000),
            )
        )
    )
    (ring,) = told.findings
    assert ring.labels == ("A", "B", "C")
    assert ring.say.startswith(
        "Almost certain (over 99.9 %): the shims of A, B and C went round: A has that of B,"
    )
    assert told.to_answer_for == ("A", "B", "C")


def test_readings_without_a_fault_never_differ():
    for seed in range(500):
        assert look_back(bench(seed).fitting()).unexplained == ()


def fitted(label, *, before=170_000, after=None, removed=2_600_000, put_in=2_600_000, leaf=METRIC, **more):
    """A valve with readings one leaf wide; `after` is as predicted unless given."""
    after = before + removed - put_in if after is None else after
    return FittedValve(
        label=label,
        before_nm=(before, before + leaf),
        after_nm=(after, after + leaf),
        removed_nm=removed,
        removed_known_by="measured",
        fitted_nm=put_in,
        fitted_known_by="measured",
        **more,
    )


def three(*valves):
    """An engine with these valves and others that went as planned."""
    rest = [fitted(f"R{number}", before=100_000, put_in=2_525_000) for number in range(3)]
    return Fitting(valves=(*valves, *rest))


def only(told):
    assert len(told.findings) == 1, told.findings
    return told.findings[0]


def test_an_exchange_is_told_with_its_figures_and_how_sure_it_is():
    told = look_back(
        three(
            fitted("A", before=100_000, put_in=2_520_000, after=130_000),  # was to come to 0.18 mm
            fitted("B", before=130_000, put_in=2_570_000, after=210_000),  # was to come to 0.16 mm
        )
    )
    finding = only(told)
    assert finding.labels == ("A", "B")
    assert finding.explained
    assert finding.say.startswith(
        "Almost certain (over 99.9 %): the shims of A and B are in each other's places"
    )
    assert "A came out 0.050 mm tighter than planned and B 0.050 mm looser than planned" in finding.say
    assert "the two shims are 0.050 mm apart." in finding.say
    assert told.unexplained == ()
    assert told.to_answer_for == ("A", "B")


def test_two_exchanges_in_one_engine():
    told = look_back(
        three(
            fitted("A", before=100_000, put_in=2_520_000, after=130_000),
            fitted("B", before=130_000, put_in=2_570_000, after=210_000),
            fitted("C", before=100_000, put_in=2_540_000, after=60_000),
            fitted("D", before=200_000, put_in=2_640_000, after=260_000),
        )
    )
    assert {finding.labels for finding in told.findings} == {("A", "B"), ("C", "D")}


def test_shims_too_alike_are_named_as_such_and_nothing_is_found():
    told = look_back(
        three(
            fitted("A", before=100_000, put_in=2_520_000, after=165_000),
            fitted("B", before=130_000, put_in=2_535_000, after=180_000),
        )
    )
    assert told.findings == ()
    assert ("A", "B") in told.alike


def test_shims_of_one_thickness_are_no_pair_at_all():
    told = look_back(three(fitted("A", before=90_000, put_in=2_525_000)))
    assert told.alike == ()


def test_a_clearance_keyed_in_the_wrong_unit():
    # 15 was read off a leaf of 0.15 mm and keyed as thou: 0.381 mm.
    after = replace(
        fitted("A", before=100_000, put_in=2_550_000), after_nm=(15 * THOU, 16 * THOU), inches=True
    )
    finding = only(look_back(three(after)))
    assert (finding.causes[0].kind, finding.labels) == ("unit_after", ("A",))
    assert "read as hundredths of a millimetre it is 0.150 mm" in finding.say
    assert finding.explained


def test_a_shim_marked_in_thousandths_of_an_inch_and_keyed_as_millimetres():
    # The one that came out is marked 50: 0.050 in is 1.27 mm; keyed as 0.50 mm it made no such shim, so
    # take 120 thou, 3.048 mm, keyed as 1.20 mm; with 1.25 mm in its place the valve has 1.9 mm.
    valve = fitted("A", before=150_000, removed=1_200_000, put_in=1_250_000, after=1_940_000)
    finding = only(look_back(replace(three(valve), made_nm=(1_000_000, 3_500_000))))
    assert (finding.causes[0].kind, finding.labels) == ("unit_removed", ("A",))
    assert "3.048 mm" in finding.say
    assert "as thousandths of an inch" in finding.say


def test_a_wrong_unit_that_would_be_no_shim_of_the_family_is_not_thought_of():
    valve = fitted("A", before=150_000, removed=1_200_000, put_in=1_250_000, after=1_940_000)
    finding = only(look_back(replace(three(valve), made_nm=(1_000_000, 2_500_000))))
    assert all(cause.kind != "unit_removed" for cause in finding.causes)


def test_a_used_shim_upside_down():
    valve = fitted("A", before=100_000, put_in=2_530_000, after=210_000, used=True)
    finding = only(look_back(three(valve)))
    assert finding.causes[0].kind == "upside_down"
    assert "worn face to the cam: it came out 0.040 mm looser" in finding.say
    # A new one has no worn face.
    causes = only(look_back(three(replace(valve, used=False)))).causes
    assert all(cause.kind != "upside_down" for cause in causes)


def test_a_reading_that_cannot_be_right():
    valve = fitted("A", before=100_000, put_in=2_530_000, after=90_000)
    finding = only(look_back(three(valve)))
    assert (finding.causes[0].kind, finding.labels) == ("wrong_reading", ("A",))
    assert finding.explained
    assert "0.080 mm tighter than planned" in finding.say


def test_a_valve_left_closed_whose_reading_moved():
    told = look_back(three(fitted("A", before=170_000, after=260_000, opened=False)))
    assert only(told).causes[0].kind == "wrong_reading"


def test_what_fits_two_causes_is_not_named_as_one():
    # Thinner than leaf and micrometer can tell from B's shim, or worn: both would do.
    told = look_back(
        three(
            fitted("A", before=100_000, put_in=2_530_000, after=195_000, used=True),
            fitted("B", before=100_000, put_in=2_512_000, after=175_000),
        )
    )
    assert told.findings == ()
    assert ("A", "B") in told.alike


def test_no_clearance_before_promises_nothing_and_none_after_is_a_difference():
    told = look_back(three(fitted("A", before=0, removed=2_600_000, put_in=2_500_000, after=300_000)))
    assert told.outcomes[0].predicted_nm is None
    assert told.findings == ()
    assert told.unexplained == ()
    told = look_back(three(fitted("A", before=100_000, put_in=2_530_000, after=0)))
    assert told.to_answer_for == ("A",)


def test_a_difference_too_small_to_be_explained_still_has_to_be_answered_for():
    # To lie between 0.162 and 0.188 mm; A's and B's shims are too alike to tell whether they changed places.
    near = replace(fitted("A", before=100_000, put_in=2_530_000), after_nm=(190_000, 200_000))
    told = look_back(three(near, fitted("B", before=90_000, put_in=2_515_000)))
    assert (told.findings, told.unexplained, told.to_answer_for) == ((), ("A",), ("A",))
    assert told.outcomes[0].off_nm == 20_000


@pytest.mark.parametrize(
    ("after", "apart"),
    [(188_000, False), (188_001, True), (152_000, False), (151_999, True)],
)
def test_the_limit_of_a_difference_is_leaf_and_uncertainty_to_the_nanometre(after, apart):
    # 0.10 to 0.11 mm before, 0.07 mm thinner: 0.17 to 0.18 mm, 0.008 mm either way.
    valve = replace(fitted("A", before=100_000, put_in=2_530_000), after_nm=(after, after + 10_000))
    assert differs(three(valve), valve) is apart


def test_the_prediction_follows_the_lash_ratio():
    valve = fitted("A", before=100_000, put_in=2_550_000, after=175_000)
    outcome = look_back(replace(three(valve), lash_ratio=Fraction("1.5"))).outcomes[0]
    assert outcome.called_nm == 175_000
    assert outcome.predicted_nm == (163_000, 197_000)
    assert not outcome.differs


def test_nothing_fitted_is_nothing_to_say():
    told = look_back(Fitting(valves=()))
    assert (told.outcomes, told.findings, told.unexplained, told.alike) == ((), (), (), ())


def test_figures_that_contradict_each_other_are_refused():
    with pytest.raises(ValueError, match="passes < stops"):
        FittedValve(
            label="A",
            before_nm=(5, 5),
            after_nm=(1, 2),
            removed_nm=1,
            removed_known_by="marked",
            fitted_nm=1,
            fitted_known_by="marked",
        )
    with pytest.raises(ValueError, match="label of its own"):
        Fitting(valves=(fitted("A"), fitted("A")))


def test_no_uncertainty_at_all_is_reckoned_with():
    told = look_back(
        replace(
            three(
                fitted("A", before=100_000, put_in=2_520_000, after=130_000),
                fitted("B", before=130_000, put_in=2_570_000, after=210_000),
            ),
            uncertainty=Uncertainty(micrometer_nm=0, unworn_nm=0),
        )
    )
    assert only(told).labels == ("A", "B")
