"""Sizes and markings of a shim family. Ranges of the examples are invented."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.lengths import LengthError, from_nm, parse, plausible_shim
from inventory.compute.markings import MarkingRule, check_marking_rule, marking_of, thickness_of_marking
from inventory.compute.sizes import (
    MAX_SIZES,
    USED_BEYOND_NM,
    FamilyRange,
    check_new_shim,
    check_used_shim,
    grade_of,
    nearest_size,
    on_grid,
    sizes,
)

DISC = FamilyRange(min_nm=2_300_000, max_nm=3_200_000, step_nm=25_000)
CAP = FamilyRange(min_nm=1_200_000, max_nm=3_500_000, step_nm=50_000)


@st.composite
def families(draw):
    """Families as makers have them: from 0.6 to 8 mm, every step a hundredth of a millimetre or more."""
    step_nm = draw(st.sampled_from([10_000, 20_000, 25_000, 30_000, 50_000, 100_000]))
    min_nm = draw(st.integers(60, 400)) * 10_000
    return FamilyRange(min_nm=min_nm, max_nm=min_nm + draw(st.integers(0, 40)) * step_nm, step_nm=step_nm)


def refusal(call, *args):
    with pytest.raises(LengthError) as caught:
        call(*args)
    assert caught.value.message.endswith(".")
    return caught.value.message


class TestFamilyRange:
    @pytest.mark.parametrize(
        ("min_nm", "max_nm", "step_nm", "says"),
        [
            (2_300_000, 3_200_000, 0, "step between sizes must be above 0 mm"),
            (2_300_000, 3_200_000, -25_000, "step between sizes must be above 0 mm"),
            (3_200_000, 2_300_000, 25_000, "give the thinner one first"),
            (2_300_000, 3_210_000, 25_000, "3.200 mm or 3.225 mm would be"),
            (2_300_000, 3_200_000, 1, f"more than {MAX_SIZES} sizes"),
            (0, 3_200_000, 25_000, "a shim is from 0.5 to 10 mm thick"),
            (2_300_000, 32_000_000, 25_000, "a shim is from 0.5 to 10 mm thick"),
        ],
    )
    def test_refuses_what_is_no_range(self, min_nm, max_nm, step_nm, says):
        assert says in refusal(lambda: FamilyRange(min_nm=min_nm, max_nm=max_nm, step_nm=step_nm))

    def test_a_family_of_one_size(self):
        assert sizes(FamilyRange(min_nm=2_500_000, max_nm=2_500_000, step_nm=25_000)) == (2_500_000,)

    def test_says_itself_in_words(self):
        assert str(DISC) == "2.300 to 3.200 mm in steps of 0.025 mm"


class TestSizes:
    def test_examples(self):
        made = sizes(DISC)
        assert (made[0], made[1], made[-1], len(made)) == (2_300_000, 2_325_000, 3_200_000, 37)
        assert len(sizes(CAP)) == 47

    @given(families())
    def test_every_size_is_on_the_grid_and_nothing_between(self, family):
        made = sizes(family)
        assert made == tuple(sorted(set(made)))
        assert (made[0], made[-1]) == (family.min_nm, family.max_nm)
        assert all(on_grid(family, nm) and nearest_size(family, nm) == nm for nm in made)
        assert not any(on_grid(family, nm + 1) for nm in made)
        assert not on_grid(family, family.min_nm - family.step_nm)
        assert not on_grid(family, family.max_nm + family.step_nm)

    @given(families(), st.integers(-200_000, 200_000), st.integers(0, 60))
    def test_nearest_is_the_nearest_and_the_thinner_of_two(self, family, off, steps):
        nm = family.min_nm + steps * family.step_nm + off
        assert nearest_size(family, nm) == min(sizes(family), key=lambda size: (abs(size - nm), size))

    @given(families(), st.integers(0, 10_000_000))
    def test_the_drawer_of_a_used_shim(self, family, nm):
        if family.min_nm - USED_BEYOND_NM <= nm <= family.max_nm + USED_BEYOND_NM and nm >= 500_000:
            assert grade_of(family, nm) == nearest_size(family, nm)
        else:
            refusal(grade_of, family, nm)

    @pytest.mark.parametrize(
        ("nm", "drawer"),
        [
            (2_650_000, 2_650_000),
            (2_662_499, 2_650_000),
            (2_662_500, 2_650_000),  # halfway: the thinner
            (2_662_501, 2_675_000),
            (2_200_000, 2_300_000),
            (3_300_000, 3_200_000),
        ],
    )
    def test_drawer_examples(self, nm, drawer):
        assert grade_of(DISC, nm) == drawer


class TestChecks:
    @given(families(), st.integers(500_000, 10_000_000))
    def test_a_new_shim_is_a_made_size(self, family, nm):
        length = from_nm(nm)
        if nm in sizes(family):
            assert check_new_shim(family, length) is length
        else:
            assert str(family) in refusal(check_new_shim, family, length)

    @pytest.mark.parametrize(
        ("value", "unit", "says"),
        [
            ("2.66", "mm", "The nearest made size is 2.650 mm."),
            ("2.6625", "mm", "The nearest made sizes are 2.650 mm and 2.675 mm."),
            ("3.4", "mm", "The nearest made size is 3.200 mm."),
            ("0.1043", "in", "The nearest made size is 2.650 mm."),
            ("275", "thou", "The marking 275 (2.750 mm) was probably meant."),
            ("275", "mm", "The marking 275 (2.750 mm) was probably meant"),
        ],
    )
    def test_a_new_shim_refused(self, value, unit, says):
        message = refusal(check_new_shim, DISC, parse(value, unit))
        assert message.startswith(f"New shim {value} {unit} ")
        assert says in message

    @pytest.mark.parametrize("value", ["2.2", "2.200", "2.3", "2.6613", "3.3"])
    def test_a_used_shim_up_to_a_tenth_outside(self, value):
        length = parse(value, "mm")
        assert check_used_shim(DISC, length) is length

    @pytest.mark.parametrize(
        ("value", "unit", "says"),
        [
            ("2.199999", "mm", "The nearest made size is 2.300 mm."),
            ("3.300001", "mm", "The nearest made size is 3.200 mm."),
            ("110", "um", "110 thou (2.794 mm) was probably meant"),
            ("275", "thou", "2.300 to 3.200 mm in steps of 0.025 mm"),
        ],
    )
    def test_a_used_shim_refused(self, value, unit, says):
        message = refusal(check_used_shim, DISC, parse(value, unit))
        assert message.startswith(f"Used shim {value} {unit} ")
        assert says in message

    def test_what_is_no_shim_at_all_is_said_to_be_none(self):
        assert refusal(check_used_shim, DISC, parse("275", "mm")).startswith(
            "Used shim 275 mm is not plausible"
        )
        refusal(plausible_shim, parse("275", "mm"))


class TestMarkings:
    @given(families(), st.sampled_from(list(MarkingRule)))
    def test_round_trip_for_every_size(self, family, rule):
        check_marking_rule(rule, family)  # every step of the strategy is a hundredth or more
        for nm in sizes(family):
            assert thickness_of_marking(rule, marking_of(rule, nm), family) == nm

    # Common practice, no source: 2625 in full, 2.625, and three digits with the last one dropped.
    @pytest.mark.parametrize(
        ("rule", "text", "nm"),
        [
            (MarkingRule.THOUSANDTHS, "2625", 2_625_000),
            (MarkingRule.THOUSANDTHS, "2750", 2_750_000),
            (MarkingRule.HUNDREDTHS, "265", 2_650_000),
            (MarkingRule.HUNDREDTHS, "262", 2_625_000),
            (MarkingRule.HUNDREDTHS, "267", 2_675_000),
            (MarkingRule.HUNDREDTHS, "275", 2_750_000),
            (MarkingRule.DECIMAL, "2.625", 2_625_000),
            (MarkingRule.DECIMAL, "2.65", 2_650_000),
            (MarkingRule.DECIMAL, " 2.650 ", 2_650_000),
            (MarkingRule.DECIMAL, "3.0", 3_000_000),
        ],
    )
    def test_examples(self, rule, text, nm):
        assert thickness_of_marking(rule, text, DISC) == nm
        assert marking_of(rule, nm).rstrip("0") == text.strip().rstrip("0")

    @pytest.mark.parametrize(
        ("rule", "text", "says"),
        [
            (MarkingRule.THOUSANDTHS, "265", "so that 2650 is 2.650 mm"),
            (MarkingRule.HUNDREDTHS, "2625", "so that 262 is 2.625 mm"),
            (MarkingRule.DECIMAL, "2625", "so that 2.625 is 2.625 mm"),
            (MarkingRule.HUNDREDTHS, "263", "No shim of this family is stamped 263"),
            (MarkingRule.THOUSANDTHS, "2626", "No shim of this family is stamped 2626"),
            (MarkingRule.THOUSANDTHS, "3225", "2.300 to 3.200 mm in steps of 0.025 mm"),
            (MarkingRule.DECIMAL, "2,65", "No shim of this family is stamped 2,65"),
            (MarkingRule.THOUSANDTHS, "02650", "No shim"),
            (MarkingRule.THOUSANDTHS, "٢٦٥٠", "No shim"),
            (MarkingRule.THOUSANDTHS, " ", "The marking is missing"),
            (MarkingRule.HUNDREDTHS, "9" * 5_000, "stamped as keyed"),
            (MarkingRule.HUNDREDTHS, "\x00", "stamped as keyed"),
        ],
    )
    def test_a_marking_that_no_size_carries(self, rule, text, says):
        message = refusal(thickness_of_marking, rule, text, DISC)
        assert says in message
        assert len(message) < 400

    def test_a_dropped_digit_that_two_sizes_share_is_never_guessed(self):
        fine = FamilyRange(min_nm=2_500_000, max_nm=2_600_000, step_nm=5_000)
        message = refusal(thickness_of_marking, MarkingRule.HUNDREDTHS, "250", fine)
        assert "2.500 mm and 2.505 mm" in message
        assert "measure the shim" in message
        assert "2.500 mm and 2.505 mm would both be stamped 250" in refusal(
            check_marking_rule, MarkingRule.HUNDREDTHS, fine
        )
        check_marking_rule(MarkingRule.THOUSANDTHS, fine)

    def test_a_size_that_cannot_be_stamped_in_full_is_refused(self):
        finer = FamilyRange(min_nm=2_500_000, max_nm=2_512_500, step_nm=12_500)
        for rule in (MarkingRule.THOUSANDTHS, MarkingRule.DECIMAL):
            assert "2.512 mm and 2.513 mm can" in refusal(check_marking_rule, rule, finer)
        check_marking_rule(MarkingRule.HUNDREDTHS, finer)
        assert "250 is 2.500 mm" in refusal(thickness_of_marking, MarkingRule.HUNDREDTHS, "2500", finer)
        assert thickness_of_marking(MarkingRule.HUNDREDTHS, "251", finer) == 2_512_500

    def test_thin_and_thick_shims_keep_their_digits(self):
        wide = FamilyRange(min_nm=900_000, max_nm=10_000_000, step_nm=50_000)
        assert marking_of(MarkingRule.HUNDREDTHS, 950_000) == "095"
        assert thickness_of_marking(MarkingRule.HUNDREDTHS, "095", wide) == 950_000
        assert marking_of(MarkingRule.THOUSANDTHS, 950_000) == "0950"
        assert thickness_of_marking(MarkingRule.THOUSANDTHS, "10000", wide) == 10_000_000
        assert marking_of(MarkingRule.DECIMAL, 950_000) == "0.950"
