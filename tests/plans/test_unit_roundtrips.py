"""Every unit there and back, exactly: by number, by text, and over a third unit.

`test_units.py` holds conversion against published factors for some pairs and has the plain way there and back; here
every pair of `UNITS` is held against factors of our own table, so that a unit without one fails.
"""

from __future__ import annotations

import itertools
from fractions import Fraction

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from plans.units import LONGEST_NUMBER, UNITS, Miswritten, convert, read_quantity

# Each unit in its dimension's first one. NIST SP 811 (2008), appendix B.8, for inch, foot, mile and knot; the prefixes
# of the SI; a share is counted in per cent, an angle in degrees, exposure in stops.
MILE, NAUTICAL_MILE = Fraction("1609.344"), Fraction(1852)
IN_FIRST = {
    "length": {"mm": Fraction(1), "cm": Fraction(10), "m": Fraction(1000), "km": Fraction(10**6),
               "in": Fraction("25.4"), "ft": Fraction("304.8")},
    "time": {"ms": Fraction(1), "s": Fraction(1000), "min": Fraction(60_000), "h": Fraction(3_600_000)},
    "speed": {"m/s": Fraction(1), "km/h": Fraction(1000, 3600), "mph": MILE / 3600, "ft/s": Fraction("0.3048"),
              "kn": NAUTICAL_MILE / 3600},
    "stops": {"stops": Fraction(1), "stop": Fraction(1)},
    "angle": {"deg": Fraction(1)},
    "share": {"%": Fraction(1)},
    "memory": {"MB": Fraction(1), "GB": Fraction(1000)},
    "illuminance": {"lx": Fraction(1), "klx": Fraction(1000)},
}  # fmt: skip
PAIRS = [(dimension, a, b) for dimension, units in UNITS.items() for a, b in itertools.product(units, repeat=2)]
numbers = st.fractions(min_value=-(10**6), max_value=10**6, max_denominator=10**9)


def test_the_table_has_every_unit_that_may_be_written():
    assert {dimension: set(units) for dimension, units in UNITS.items()} == {d: set(u) for d, u in IN_FIRST.items()}


@pytest.mark.parametrize(("dimension", "there", "back"), PAIRS)
def test_every_pair_of_units_has_the_exact_factor_both_ways(dimension, there, back):
    factor = IN_FIRST[dimension][there] / IN_FIRST[dimension][back]
    assert convert(Fraction(1), there, back) == factor
    assert convert(Fraction(1), back, there) * factor == 1


@given(numbers, st.sampled_from(PAIRS))
@example(Fraction(1, 3), ("speed", "mph", "kn"))
def test_every_number_comes_back_exactly_from_every_unit(number, pair):
    _, there, back = pair
    found = convert(number, there, back)
    assert isinstance(found, Fraction)
    assert convert(found, back, there) == number


@given(numbers, st.sampled_from(list(UNITS)), st.data())
def test_the_way_over_a_third_unit_changes_nothing(number, dimension, data):
    one, over, last = (data.draw(st.sampled_from(list(UNITS[dimension]))) for _ in range(3))
    assert convert(convert(number, one, over), over, last) == convert(number, one, last)


@given(numbers, numbers, st.sampled_from(PAIRS))
def test_sums_and_order_are_kept(first, second, pair):
    _, there, back = pair
    a, b = convert(first, there, back), convert(second, there, back)
    assert convert(first + second, there, back) == a + b
    assert (a < b) == (first < second)


def test_floating_numbers_would_not_come_back():
    # Negative control: the same way there and back with floats misses for some pair and number.
    missed = 0
    for (dimension, there, back), n in itertools.product(PAIRS, range(1, 40)):
        factor = float(IN_FIRST[dimension][there]), float(IN_FIRST[dimension][back])
        there_and_back = n / 7 * factor[0] / factor[1] * factor[1] / factor[0]
        missed += there_and_back != n / 7
    assert missed > 50


# As text: whole and decimal parts of a number as a person writes it.
written = st.builds(
    lambda sign, whole, decimals: f"{sign}{whole}{'.' if decimals else ''}{decimals}",
    st.sampled_from(["", "-", "+"]),
    st.integers(0, 10**7),
    st.text("0123456789", max_size=8),
)


@given(written, st.sampled_from(PAIRS), st.sampled_from(["", " ", "   "]))
def test_a_written_quantity_is_read_exactly_in_every_unit_of_its_dimension(text, pair, space):
    dimension, unit, to = pair
    number = read_quantity(f"{text}{space}{unit}", dimension, to)
    assert convert(number, to, unit) == Fraction(text)


@given(st.integers(-(10**9), 10**9), st.integers(0, 9), st.sampled_from(PAIRS))
def test_what_converts_to_a_decimal_number_can_be_written_in_the_other_unit_and_read_back(digits, places, pair):
    dimension, unit, to = pair
    number = Fraction(digits, 10**places)
    text = decimal(convert(number, unit, to))
    assume(text is not None)  # 1 mph has no end as a decimal of kn, and nine places of km are too long as mm
    assert read_quantity(f"{text} {to}", dimension, unit) == number


def decimal(number: Fraction) -> str | None:
    """The number as a plain decimal; None where it has no end or is longer than may be written."""
    places = next((n for n in range(LONGEST_NUMBER) if 10**n % number.denominator == 0), None)
    if places is None:
        return None
    digits = f"{abs(number.numerator) * 10**places // number.denominator:0{places + 1}d}"
    text = ("-" if number < 0 else "") + (f"{digits[:-places]}.{digits[-places:]}" if places else digits)
    return text if len(text) <= LONGEST_NUMBER else None


@pytest.mark.parametrize(("dimension", "unit"), [(d, unit) for d, units in UNITS.items() for unit in units])
def test_a_unit_of_one_dimension_is_refused_for_every_other(dimension, unit):
    for other, units in UNITS.items():
        if other != dimension and unit not in units:
            with pytest.raises(Miswritten):
                read_quantity(f"1 {unit}", other, next(iter(units)))
