"""Written numbers and units: what is read, what is refused, and exact conversion.

Factors are held against NIST SP 811 (2008), appendix B.8: inch 25.4 mm, foot 0.3048 m, mile 1609.344 m, mile per hour
0.44704 m/s, kilometre per hour 1/3.6 m/s, knot (nautical mile per hour) 1852 m/h; all of them exact there.
"""

import subprocess
import sys
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plans.units import _EXAMPLES, UNITS, Miswritten, convert, read_number, read_quantity


@pytest.mark.parametrize(
    ("unit", "to", "factor"),
    [
        ("in", "mm", Fraction("25.4")),
        ("ft", "m", Fraction("0.3048")),
        ("km", "m", Fraction(1000)),
        ("cm", "mm", Fraction(10)),
        ("mph", "m/s", Fraction("0.44704")),
        ("mph", "km/h", Fraction("1.609344")),
        ("km/h", "m/s", Fraction(10, 36)),
        ("ft/s", "m/s", Fraction("0.3048")),
        ("kn", "km/h", Fraction("1.852")),
        ("kn", "m/s", Fraction(1852, 3600)),
        ("h", "s", Fraction(3600)),
        ("min", "ms", Fraction(60000)),
    ],
)
def test_conversion_has_exactly_the_published_factor(unit, to, factor):
    assert convert(Fraction(1), unit, to) == factor


@given(
    st.fractions(min_value=-10000, max_value=10000, max_denominator=10**6),
    st.sampled_from([(a, b) for units in UNITS.values() for a in units for b in units]),
)
def test_a_quantity_comes_back_unchanged_from_any_unit(number, pair):
    there, back = pair
    assert convert(convert(number, there, back), back, there) == number


@pytest.mark.parametrize(("unit", "to"), [("m", "s"), ("m/s", "km"), ("parsec", "m"), ("m", "stops"), ("m", "2*m")])
def test_units_of_different_things_are_not_converted(unit, to):
    with pytest.raises(ValueError, match=r"known|different"):
        convert(Fraction(1), unit, to)


@pytest.mark.parametrize(
    ("text", "dimension", "to", "value"),
    [
        ("3 m", "length", "m", Fraction(3)),
        ("35.9mm", "length", "mm", Fraction("35.9")),
        ("  10 ft ", "length", "m", Fraction("3.048")),
        ("+0.45 m", "length", "mm", Fraction(450)),
        ("-3 m", "length", "m", Fraction(-3)),
        ("36 km/h", "speed", "m/s", Fraction(10)),
        ("0 m/s", "speed", "m/s", Fraction(0)),
        ("50 %", "share", "%", Fraction(50)),
        ("90 deg", "angle", "deg", Fraction(90)),
        ("250 ms", "time", "s", Fraction(1, 4)),
    ],
)
def test_a_number_with_its_unit_is_read_exactly(text, dimension, to, value):
    assert read_quantity(text, dimension, to) == value


@pytest.mark.parametrize(
    ("text", "advice"),
    [
        ("3", "Add the unit: 3 m"),
        ("0", "Add the unit"),
        ("m", "Write a number before the unit"),
        ("", "Write a number first"),
        ("3 s", "s is no unit of length"),
        ("3 metres", "Write the unit as m: 3 m"),
        ("3 Inches", "Write the unit as in: 3 in"),
        ("3 M", "Write the unit as m: 3 m"),
        ("3,5 m", "not a comma: 3.5 m"),
        ("3,5", "not a comma: 3.5 m, if m is meant"),
        ("8'", "one plain number with one unit"),
        ("8'2\"", "one plain number with one unit"),
        ("8 \u2032", "such as 2.5 m or 8.2 ft"),
        ("8'-2\"", "such as 2.5 m or 8.2 ft"),
        ("8 ft 2 in", r"mm, cm, m, km, in, ft\), such as 2.5 m or 8.2 ft"),
        ("8ft-2in", "such as 2.5 m or 8.2 ft"),
        ("about 3 m", "such as 2.5 m or 8.2 ft"),
        ("1,000,000 m", "without separators"),
        ("9**9**9 m", "nothing is worked out"),
        ("2*3 m", "nothing is worked out"),
        ("(3) m", "nothing is worked out"),
        ("1_000 m", "nothing is worked out"),
        ("--3 m", "nothing is worked out"),
        ("1e999 m", "without an exponent"),
        ("1e3 m", "without an exponent"),
        ("nan", "plain number with one unit"),
        ("nan m", "plain number"),
        ("inf m", "plain number"),
        ("-inf", "plain number"),
        ("\u0661 m", "digits 0 to 9"),
        ("\uff13 m", "digits 0 to 9"),
        ("\u22123 m", "- for minus"),
        ("3\u00b2 m", "digits 0 to 9"),
        (".5 m", "digit before and after"),
        ("5. m", "digit before and after"),
        ("1/3 m", "decimal number here, not a fraction"),
        ("3 m m", "plain number"),
        ("3 m 2", "plain number"),
        ("0x10 m", "plain number"),
        ("3 m/s", "no unit of length"),
        ("123456789012345678901 m", "at most 20 characters"),
        ("3 __import__", "nothing is worked out"),
    ],
)
def test_anything_but_one_number_and_one_unit_is_refused_with_what_to_write(text, advice):
    with pytest.raises(Miswritten, match=advice):
        read_quantity(text, "length", "m")


@pytest.mark.parametrize("dimension", UNITS)
def test_the_example_in_the_advice_can_be_read(dimension):
    for to in UNITS[dimension]:
        for text in (_EXAMPLES.get(to) or _EXAMPLES[dimension]).split(" or "):
            assert read_quantity(text, dimension, to) > 0


@pytest.mark.parametrize(
    ("text", "value"),
    [("1/3", Fraction(1, 3)), ("2 1/3", Fraction(7, 3)), ("-1/2", Fraction(-1, 2)), ("0.5", Fraction(1, 2))],
)
def test_fractions_are_read_where_they_make_sense(text, value):
    assert read_number(text, fraction=True) == value


@pytest.mark.parametrize("text", ["1/0", "1/3/3", "1/-3", "/3", "1//3", "1 /3", "1/3 1"])
def test_a_fraction_that_is_none_is_refused(text):
    with pytest.raises(Miswritten):
        read_number(text, fraction=True)


@given(st.text(max_size=40))
def test_no_text_does_more_than_give_a_number_or_say_what_to_write(text):
    try:
        assert isinstance(read_quantity(text, "length", "m"), Fraction)
    except Miswritten as error:
        assert str(error)


def test_the_unit_library_is_loaded_only_when_a_unit_is_read():
    program = (
        "import sys, plans.reading\n"
        "print('pint' in sys.modules)\n"
        "plans.reading.read_brief(plans.reading.demo_brief_text(), 'demo')\n"
        "print('pint' in sys.modules)\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]
