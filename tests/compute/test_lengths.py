"""Lengths: exact, with a unit, and refused in words that help. Properties with Hypothesis; the oracle is
`fractions.Fraction`, which the module itself does not use for any conversion."""

import ast
import importlib
import inspect
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from inventory.compute import lengths
from inventory.compute.lengths import (
    MAX_FIGURE,
    MAX_KEYED,
    MAX_NM,
    NM_PER,
    Length,
    LengthError,
    Unit,
    from_keyed,
    from_nm,
    parse,
    parse_text,
    show,
)

units = st.sampled_from(list(Unit))
# Everything a person could key that is a whole number of nanometres, in every unit, with leading and
# trailing noughts and without the nought before the point.
DECIMALS = {Unit.MM: 6, Unit.UM: 3, Unit.IN: 5, Unit.THOU: 2}


@st.composite
def figures(draw, unit=None):
    unit = unit or draw(units)
    decimals = draw(st.integers(0, DECIMALS[unit]))
    digits = str(draw(st.integers(0, 10**9))).zfill(decimals + draw(st.integers(0, 2)))
    whole, fraction = digits[: len(digits) - decimals], digits[len(digits) - decimals :]
    sign = draw(st.sampled_from(["", "-"]))
    figure = f"{sign}{whole}.{fraction}" if decimals else f"{sign}{whole or '0'}"
    return figure, unit


def refusal(call, *args, **kwargs):
    with pytest.raises(LengthError) as caught:
        call(*args, **kwargs)
    message = caught.value.message
    assert str(caught.value) == message
    assert message.endswith(".")
    assert len(message) < 400
    message.encode()  # can be sent: no lone surrogate
    return message


class TestParse:
    @given(figures())
    def test_is_exact_and_keeps_the_figure(self, keyed):
        figure, unit = keyed
        exact = Fraction(figure) * NM_PER[unit]
        assume(abs(exact) <= MAX_NM)
        length = parse(figure, unit)
        assert length.nm == exact
        assert type(length.nm) is int
        assert (length.value, length.unit) == (figure, unit)
        assert length.keyed == str(length) == f"{figure} {unit.value}"
        assert length.as_json() == {"value": figure, "unit": unit.value}
        assert type(length.as_json()["unit"]) is str
        assert parse(**length.as_json()) == length

    @given(
        st.decimals(allow_nan=False, allow_infinity=False, places=8, min_value=-1000, max_value=1000), units
    )
    @example(Decimal("0.00000001"), Unit.MM)
    @example(Decimal("0.000005"), Unit.IN)  # 127 nm: six decimals of an inch can be whole nanometres
    @example(Decimal("0.000001"), Unit.IN)
    def test_takes_a_figure_exactly_when_it_is_whole_nanometres(self, figure, unit):
        text = f"{figure:f}"
        exact = Fraction(figure) * NM_PER[unit]
        if exact.denominator == 1:
            assert parse(text, unit).nm == exact
        else:
            assert "finer than a nanometre" in refusal(parse, text, unit)

    @pytest.mark.parametrize(
        ("value", "unit", "nm"),
        [
            ("2.650", "mm", 2_650_000),
            ("8", "thou", 203_200),
            ("0.0080", "in", 203_200),
            (".008", "in", 203_200),
            ("203.2", "um", 203_200),
            ("0", "mm", 0),
            ("-0.5", "mm", -500_000),
            ("0.000001", "mm", 1),
            ("002.65", "mm", 2_650_000),
            ("0.0001", "in", 2_540),
        ],
    )
    def test_examples(self, value, unit, nm):
        assert parse(value, unit).nm == nm

    @given(st.text())
    @example("1e3")
    @example("٢.٥")  # Arabic-Indic digits, which int() would take
    @example("１")  # full-width digits, likewise
    @example("1_000")  # which int() would take
    @example("\ud800")
    @example("1\n")
    @example("1.")
    @example(".")
    @example("-")
    @example("--1")
    @example("1.2.3")
    @example("")
    def test_any_text_gives_a_length_or_a_refusal(self, text):
        try:
            length = parse(text, "mm")
        except LengthError:
            refusal(parse, text, "mm")
        else:
            assert set(text) <= set("-.0123456789")
            assert length.nm == Fraction(text) * 1_000_000

    @pytest.mark.parametrize(
        ("value", "says"),
        [
            (2.65, "decimal string"),
            (2, "a number"),
            (True, "true or false"),
            (None, "null"),
            (["2.65"], "a list"),
            ({"value": "2.65"}, "an object"),
            (Decimal("2.65"), "decimal string"),
            (b"2.65", "decimal string"),
            ("2,65", "write 2.65 with a point"),
            ("-2,65", "write -2.65 with a point"),
            ("1e3", "exponent"),
            ("2.5E-1", "exponent"),
            ("+2.65", "digits 0 to 9"),
            ("NaN", "digits 0 to 9"),
            ("Infinity", "digits 0 to 9"),
            (" 2.65", "digits 0 to 9"),
            ("2.65 ", "digits 0 to 9"),
            ("1,234.5", "digits 0 to 9"),
            ("0x10", "digits 0 to 9"),
            ("", "missing"),
            ("0." + "0" * MAX_FIGURE, "too long"),
            ("1" * 5_000, "too long"),
            ("1" * MAX_FIGURE, "kilometre"),
        ],
    )
    def test_refuses_a_figure_that_is_none(self, value, says):
        assert says in refusal(parse, value, "mm")

    @pytest.mark.parametrize(
        ("unit", "says"),
        [
            (None, "needs a unit: mm, um, in or thou"),
            ("", "needs a unit: mm, um, in or thou"),
            ("furlong", '"furlong" is not known: use mm, um, in or thou'),
            ("cm", "use mm, um, in or thou"),
            ("MM", "is written mm"),
            ("µm", "is written um"),
            ("inch", "is written in"),
            ("mil", "write thou or mm"),
            (25, "not a number"),
            (["mm"], "not a list"),
            ({}, "not an object"),
        ],
    )
    def test_refuses_a_unit_that_is_none(self, unit, says):
        assert says in refusal(parse, "2.65", unit)

    def test_a_long_or_unprintable_figure_is_not_sent_back_whole(self):
        assert len(refusal(parse, "9" * 10_000, "mm")) < 100
        assert "\x00" not in refusal(parse, "2\x00.65", "mm")
        assert "\x1b" not in refusal(parse, "2.65", "\x1b[31m")

    def test_the_largest_length_fits_a_64_bit_column_with_room_for_sums(self):
        assert parse("1000000", "mm").nm == MAX_NM
        assert MAX_NM * 1_000_000 < 2**63
        assert "kilometre" in refusal(parse, "1000000.000001", "mm")
        assert "kilometre" in refusal(parse, "-1000000.000001", "mm")


class TestParseText:
    @pytest.mark.parametrize(
        ("text", "keyed", "nm"),
        [
            ("0.008 in", "0.008 in", 203_200),
            ("8 thou", "8 thou", 203_200),
            ("8thou", "8 thou", 203_200),
            ("2.65mm", "2.65 mm", 2_650_000),
            (" 2.650  mm ", "2.650 mm", 2_650_000),
            ("2.65\u00a0mm", "2.65 mm", 2_650_000),
            ("2.65 MM", "2.65 mm", 2_650_000),
            ("203 um", "203 um", 203_000),
            ("203 µm", "203 um", 203_000),
            ("203 \u03bcm", "203 um", 203_000),
            ("203 microns", "203 um", 203_000),
            ('0.1043"', "0.1043 in", 2_649_220),
            ("0.1043 ”", "0.1043 in", 2_649_220),
            ("1 inch", "1 in", 25_400_000),
            ("2 inches", "2 in", 50_800_000),
            (".008in", ".008 in", 203_200),
            ("-0.1 mm", "-0.1 mm", -100_000),
        ],
    )
    def test_examples(self, text, keyed, nm):
        length = parse_text(text)
        assert (length.keyed, length.nm) == (keyed, nm)

    @given(figures(), st.sampled_from(["", " ", "  "]))
    def test_reads_what_a_length_writes(self, keyed, gap):
        figure, unit = keyed
        assume(abs(Fraction(figure) * NM_PER[unit]) <= MAX_NM)
        assert parse_text(f"{figure}{gap}{unit}") == parse(figure, unit)

    def test_the_unit_beside_the_field_is_meant_when_the_text_has_none(self):
        assert parse_text("8", Unit.THOU).keyed == "8 thou"
        assert parse_text("0.2 mm", Unit.THOU).keyed == "0.2 mm"

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            ("2.65", "has no unit: a length needs one, mm, um, in or thou"),
            ("", "write a figure and its unit"),
            ("   ", "write a figure and its unit"),
            ("mm", "write a figure and its unit"),
            ("1/4 in", "write a figure and its unit"),
            ("2.65 mm 3", "write a figure and its unit"),
            ("1e-3 mm", "exponent"),
            ("2,65 mm", "write 2.65 with a point"),
            ("+2.65 mm", "digits 0 to 9"),
            ("2.65 mm each", '"mm each" is not known'),
            ("8 mil", "write thou or mm"),
            (2.65, "not as a number"),
            (None, "not as null"),
        ],
    )
    def test_refusals(self, text, says):
        assert says in refusal(parse_text, text)

    @given(st.text(), st.none() | units)
    def test_any_text_gives_a_length_or_a_refusal(self, text, default_unit):
        try:
            length = parse_text(text, default_unit)
        except LengthError:
            refusal(parse_text, text, default_unit)
        else:
            assert from_keyed(length.nm, length.keyed) == length


class TestComputed:
    @given(st.integers(-MAX_NM, MAX_NM))
    @example(0)
    @example(2_650_000)
    @example(-1)
    def test_in_mm_is_exact_with_as_many_decimals_as_it_needs(self, nm):
        length = from_nm(nm)
        assert length.unit is Unit.MM
        assert Fraction(length.value) * 1_000_000 == nm
        _, point, fraction = length.value.partition(".")
        assert len(fraction) <= 6
        assert not point or fraction[-1] != "0"  # none that it does not need
        assert parse(length.value, length.unit) == length

    @given(st.integers(-MAX_NM, MAX_NM), units)
    @example(203_200, Unit.IN)
    @example(127, Unit.IN)
    @example(127, Unit.THOU)
    def test_in_another_unit_is_exact_or_refused(self, nm, unit):
        exact = Fraction(nm, NM_PER[unit])
        ends = 10**9 % exact.denominator == 0
        if ends:
            assert Fraction(from_nm(nm, unit).value) == exact
        else:
            assert "give it in mm" in refusal(from_nm, nm, unit)

    @pytest.mark.parametrize(
        ("nm", "value"), [(2_650_000, "2.65"), (0, "0"), (3_000_000, "3"), (-50_000, "-0.05")]
    )
    def test_examples(self, nm, value):
        assert from_nm(nm).value == value

    @pytest.mark.parametrize("nm", [2.65, 2_650_000.0, "2650000", None, Decimal(1)])
    def test_a_float_is_never_taken_for_nanometres(self, nm):
        with pytest.raises(TypeError):
            from_nm(nm)
        with pytest.raises(TypeError):
            show(nm)


class TestStored:
    @given(figures())
    def test_round_trip_through_the_two_columns(self, keyed):
        figure, unit = keyed
        assume(abs(Fraction(figure) * NM_PER[unit]) <= MAX_NM)
        length = parse(figure, unit)
        assert len(length.keyed) <= MAX_KEYED
        assert from_keyed(length.nm, length.keyed) == length

    @pytest.mark.parametrize(
        ("nm", "keyed", "says"),
        [
            (2_650_001, "2.650 mm", "2650000 nm, but 2650001 nm is stored beside it"),
            (2_650_000, "2.650", "needs a unit"),
            (2_650_000, "", "needs a unit"),
            (2_650_000, "2.650 furlong", "not known"),
        ],
    )
    def test_columns_that_disagree_are_refused(self, nm, keyed, says):
        assert says in refusal(from_keyed, nm, keyed)


class TestShow:
    @pytest.mark.parametrize(
        ("nm", "unit", "figure"),
        [
            (2_650_000, Unit.MM, "2.650"),
            (2_533_400, Unit.MM, "2.5334"),
            (2_000_001, Unit.MM, "2.000001"),
            (0, Unit.MM, "0.000"),
            (-50_000, Unit.MM, "-0.050"),
            (203_200, Unit.UM, "203.2"),
            (203_000, Unit.UM, "203"),
            (203_200, Unit.IN, "0.008"),
            (203_200, Unit.THOU, "8"),
            (190_500, Unit.THOU, "7.5"),
            (2_650_000, Unit.IN, "0.1043"),
            (2_650_000, Unit.THOU, "104.3"),
        ],
    )
    def test_usual_decimals(self, nm, unit, figure):
        assert show(nm, unit) == figure

    # The half cases of CHECKS.md, section A: half to even, ISO 80000-1 Annex B rule A (from memory).
    @pytest.mark.parametrize(
        ("nm", "places", "figure"),
        [
            (2_725_000, 2, "2.72"),
            (2_735_000, 2, "2.74"),
            (2_715_000, 2, "2.72"),
            (2_500_000, 0, "2"),
            (3_500_000, 0, "4"),
            (-1, 2, "0.00"),
            (2_650_000, 6, "2.650000"),
        ],
    )
    def test_rounding_half_to_even(self, nm, places, figure):
        assert show(nm, places=places) == figure

    @given(st.integers(-(10**9), 10**9), units, st.integers(0, 9))
    def test_rounds_as_exact_fractions_do(self, nm, unit, places):
        # round() of a Fraction is exact and half to even.
        assert Fraction(show(nm, unit, places)) == round(Fraction(nm, NM_PER[unit]), places)
        assert len(show(nm, unit, places).partition(".")[2]) == places

    @given(st.integers(-(10**9), 10**9))
    def test_loses_nothing_in_metric(self, nm):
        assert parse(show(nm), "mm").nm == nm
        assert parse(show(nm, Unit.UM), "um").nm == nm


def test_a_length_cannot_be_changed():
    length = parse("2.65", "mm")
    with pytest.raises(AttributeError):
        length.nm = 1
    assert length == parse("2.65", "mm")
    assert length != parse("2.650", "mm")
    assert hash(length) == hash(parse("2.65", "mm"))
    with pytest.raises(TypeError):
        Length(1, Unit.MM, "0.000001")


def floats_in(source):
    """What makes or divides floats in this source: literals, the name, and the true division sign."""
    tree = ast.parse(source)
    return [
        node
        for node in ast.walk(tree)
        if (isinstance(node, ast.Constant) and type(node.value) is float)
        or (isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.Div))
        or (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "float")
    ]


@pytest.mark.parametrize("module", ["lengths", "sizes", "markings"])
def test_no_float_is_made_where_lengths_are_worked_out(module):
    package = lengths.__name__.rpartition(".")[0]
    assert floats_in(inspect.getsource(importlib.import_module(f"{package}.{module}"))) == []


@pytest.mark.parametrize("line", ["x = 0.5", "x = a / b", "x /= b", "x = float(a)"])
def test_the_look_for_floats_finds_one(line):
    assert len(floats_in(line)) == 1
