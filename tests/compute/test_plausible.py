"""The rules on lengths that the trade brings: the next leaf, bands rounded inwards, and what is plausible as
a clearance or a shim, with the offer of what was probably meant."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.compute.lengths import (
    NM_PER,
    LengthError,
    Unit,
    from_keyed,
    from_nm,
    inward_band,
    next_leaf,
    parse,
    parse_text,
    plausible_clearance,
    plausible_shim,
)
from jobs.compute.readings import thinner_than_a_leaf

units = st.sampled_from(list(Unit))


@st.composite
def leaves(draw):
    """A feeler leaf of up to 2 mm, in hundredths of a millimetre or in thou, in any unit that people use."""
    metric = draw(st.booleans())
    unit = draw(st.sampled_from([Unit.MM, Unit.UM] if metric else [Unit.IN, Unit.THOU]))
    return from_nm(draw(st.integers(1, 200)) * 10_000 if metric else draw(st.integers(1, 78)) * 25_400, unit)


@st.composite
def keyed_lengths(draw):
    """Any length up to 20 mm."""
    unit = draw(units)
    decimals = {Unit.MM: 6, Unit.UM: 3, Unit.IN: 5, Unit.THOU: 2}[unit]
    most = 20_000_000 * 10**decimals // NM_PER[unit]
    digits = str(draw(st.integers(0, most))).zfill(decimals + 1)
    return parse(f"{digits[:-decimals]}.{digits[-decimals:]}", unit)


def refusal(call, *args):
    with pytest.raises(LengthError) as caught:
        call(*args)
    assert caught.value.message.endswith(".")
    return caught.value.message


class TestNextLeaf:
    @pytest.mark.parametrize(
        ("passes", "stops"),
        [
            (("0.008", "in"), "0.009 in"),
            (("0.009", "in"), "0.010 in"),
            ((".008", "in"), "0.009 in"),
            (("8", "thou"), "9 thou"),
            (("7.5", "thou"), "8.5 thou"),
            (("0.20", "mm"), "0.21 mm"),
            (("0.2", "mm"), "0.21 mm"),
            (("0.19", "mm"), "0.20 mm"),
            (("203.2", "um"), "213.2 um"),
            (("0", "mm"), "0.01 mm"),
            (("0", "in"), "0.001 in"),
        ],
    )
    def test_examples(self, passes, stops):
        assert next_leaf(parse(*passes)).keyed == stops

    @given(keyed_lengths())
    def test_is_one_leaf_above_in_the_same_unit(self, passes):
        stops = next_leaf(passes)
        assert stops.nm - passes.nm == (25_400 if passes.unit in (Unit.IN, Unit.THOU) else 10_000)
        assert stops.unit is passes.unit
        assert from_keyed(stops.nm, stops.keyed) == stops
        assert len(stops.value.partition(".")[2]) >= len(passes.value.partition(".")[2])


class TestInwardBand:
    @given(
        st.integers(-(10**7), 10**7),
        st.integers(0, 10**6),
        st.sampled_from([1, 1_000, 2_540, 10_000, 25_400]),
    )
    def test_lies_inside_the_exact_band_and_could_not_be_wider(self, lo, width, step):
        hi = lo + width
        inside = [nm for nm in range(lo - lo % step, hi + 1, step) if nm >= lo] if width < 50 * step else None
        try:
            low, high = inward_band(lo, hi, step)
        except LengthError:
            assert "finer step" in refusal(inward_band, lo, hi, step)
            assert width < step - 1
            assert not inside
            return
        assert lo <= low <= high <= hi
        assert low % step == high % step == 0
        assert low - lo < step
        assert hi - high < step
        if inside is not None:
            assert (low, high) == (inside[0], inside[-1])

    def test_a_step_of_nothing_is_a_mistake_of_the_caller(self):
        with pytest.raises(ValueError, match="above zero"):
            inward_band(0, 1, 0)


class TestPlausible:
    @given(
        keyed_lengths(),
        st.sampled_from([(plausible_clearance, 0, 2_000_000), (plausible_shim, 500_000, 10_000_000)]),
    )
    def test_takes_exactly_what_lies_in_its_bounds(self, length, rule):
        check, lo, hi = rule
        if lo <= length.nm <= hi:
            assert check(length) is length
        else:
            assert length.keyed in refusal(check, length)

    @given(leaves(), units)
    def test_a_clearance_keyed_in_the_wrong_unit_is_offered_in_the_right_one(self, leaf, wrong):
        try:
            slip = parse(leaf.value, wrong)
        except LengthError as refused:
            assert "finer than a nanometre" in refused.message  # noqa: PT017 - the other outcomes follow
            return
        if slip.nm <= 2_000_000:
            assert plausible_clearance(slip) is slip
        else:
            assert str(leaf) in refusal(plausible_clearance, slip)

    @pytest.mark.parametrize(("value", "unit"), [("0", "mm"), ("2", "mm"), ("0", "in"), ("2000", "um")])
    def test_the_bounds_of_a_clearance_are_included(self, value, unit):
        assert plausible_clearance(parse(value, unit)).value == value

    @pytest.mark.parametrize(
        ("value", "unit"), [("0.5", "mm"), ("10", "mm"), ("0.10", "in"), ("10000", "um")]
    )
    def test_the_bounds_of_a_shim_are_included(self, value, unit):
        assert plausible_shim(parse(value, unit)).value == value

    @pytest.mark.parametrize(
        ("value", "unit", "says"),
        [
            ("8", "mm", "8 thou (0.2032 mm) was probably meant"),
            ("0.2", "in", "0.2 mm was probably meant"),
            ("200", "mm", "200 um (0.200 mm) was probably meant."),
            ("200", "thou", "200 um (0.200 mm) was probably meant."),
            ("8", "in", "8 thou (0.2032 mm) was probably meant"),
            ("2.000001", "mm", "a clearance is from 0 to 2 mm"),
            ("5000", "um", "check the figure"),
            ("-0.05", "mm", "below 0: where not even the thinnest leaf passes, key in 0"),
            ("-0.000001", "mm", "below 0"),
        ],
    )
    def test_a_clearance_that_makes_sense_only_otherwise(self, value, unit, says):
        message = refusal(plausible_clearance, parse(value, unit))
        assert message.startswith(f"Clearance {value} {unit} is ")
        assert says in message

    @pytest.mark.parametrize(
        ("value", "unit", "says"),
        [
            ("275", "mm", "The marking 275 (2.750 mm) was probably meant"),
            ("2.75", "thou", "2.75 mm was probably meant."),
            ("2650", "mm", "2650 um (2.650 mm) was probably meant."),
            ("2.75", "in", "2.75 mm was probably meant."),
            ("0.1083", "mm", "0.1083 in (2.75082 mm) was probably meant."),
            ("265", "um", "The marking 265 (2.650 mm) was probably meant"),
            ("108.3", "mm", "108.3 thou (2.75082 mm) was probably meant."),
            ("0", "mm", "check the figure"),
            ("-2.65", "mm", "check the figure"),
            ("10.000001", "mm", "a shim is from 0.5 to 10 mm thick"),
        ],
    )
    def test_a_shim_that_makes_sense_only_otherwise(self, value, unit, says):
        message = refusal(plausible_shim, parse(value, unit))
        assert message.startswith(f"Shim {value} {unit} is not plausible")
        assert says in message

    def test_names_the_field_it_was_asked_about(self):
        assert refusal(plausible_clearance, parse("8", "mm"), "stops").startswith(
            "Stops 8 mm is not plausible"
        )
        assert refusal(plausible_shim, parse("275", "mm"), "own shim").startswith("Own shim 275 mm")


@pytest.mark.parametrize(
    ("keyed", "unit", "asks"),
    [
        ("0.20", Unit.THOU, "0.20 mm was probably meant"),
        ("0.008", Unit.MM, "0.008 in (0.2032 mm) was probably meant"),
        ("0.20 thou", Unit.MM, ""),  # with its unit it is what it says
        ("0", Unit.THOU, ""),
        ("1", Unit.THOU, ""),  # the thinnest leaf there is in thou (common practice, no source)
        ("0.01", Unit.MM, ""),  # and in mm
    ],
)
def test_a_bare_figure_thinner_than_any_leaf_is_asked_for_its_unit(keyed, unit, asks):
    said = thinner_than_a_leaf(parse_text(keyed, unit), keyed)
    assert (asks in said) if asks else said == ""
