"""Exposure, marks and neutral density against published tables that the other files do not hold us to.

Elsewhere: rows of equivalent settings, `test_handbooks.py`; the meter equation and the Exif examples,
`test_exposure.py`; the series of marks with their exact values, `test_stops.py`; reference libraries,
`test_outside_libraries.py`.
"""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from support_plans import demo, marks

from plans.compiler import compile_brief
from plans.errors import BriefError
from plans.exposure import INCIDENT_C, REFLECTED_K, brightness, density_of_stops, ev100, illuminance, luminance
from plans.stops import label_value, light_of, scale_between, series_marks

FOOT_LAMBERT = 3.426259  # [cd/m^2] NIST SP 811 (2008), appendix B.8
LEVEL = 1e-9


def mark(kind, label, series="thirds"):
    return next(m for m in series_marks(kind, series) if m.label == label)


def off_by_print(kind, series, lowest, highest):
    """How far each printed number lies from the exact value behind it, largest first. [stops]"""
    scale = scale_between(kind, lowest, highest, series)
    off = {m.label: abs(light_of(kind, label_value(kind, m.label)) - float(m.light)) for m in scale.marks}
    return sorted(((stops, label) for label, stops in off.items()), reverse=True)


# APEX.

# The tables of the Exif standard's annex, from memory: f/1 to f/32 are Av 0 to 10, 30 s to 1/2000 s are Tv -5 to 11,
# ISO 3.125 to 3200 are Sv 0 to 10.
APEX_ROWS = {
    "aperture": (("f/1", 0), ("f/1.4", 1), ("f/2", 2), ("f/2.8", 3), ("f/4", 4), ("f/5.6", 5), ("f/8", 6), ("f/11", 7),
                 ("f/16", 8), ("f/22", 9), ("f/32", 10)),
    "time": (("30", -5), ("15", -4), ("8", -3), ("4", -2), ("2", -1), ("1", 0), ("0.5", 1), ("1/4", 2), ("1/8", 3),
             ("1/15", 4), ("1/30", 5), ("1/60", 6), ("1/125", 7), ("1/250", 8), ("1/500", 9), ("1/1000", 10),
             ("1/2000", 11)),
    "iso": (("6", 1), ("12", 2), ("25", 3), ("50", 4), ("100", 5), ("200", 6), ("400", 7), ("800", 8), ("1600", 9),
            ("3200", 10)),
}  # fmt: skip


@pytest.mark.parametrize("kind", APEX_ROWS)
def test_whole_stop_marks_have_the_apex_values_of_the_exif_annex(kind):
    for label, apex in APEX_ROWS[kind]:
        light = mark(kind, label, "full").light
        assert (light + 5 if kind == "iso" else -light) == apex, label
    # Negative control: from the printed numbers at least one row in each table would be out.
    apexes = [abs(light_of(kind, label_value(kind, label))) for label, _ in APEX_ROWS[kind]]
    assert max(abs(apex - round(apex)) for apex in apexes) > 0.02


def test_iso_3_125_is_speed_value_0():
    assert light_of("iso", 3.125) + 5 == pytest.approx(0, abs=LEVEL)
    assert light_of("iso", 3) + 5 != pytest.approx(0, abs=0.05)


def test_brightness_value_0_is_one_foot_lambert_with_the_constant_that_exif_implies_and_not_with_ours():
    # Exif says Bv 0 = 1 fL (from memory), which implies K = 10.71; at ISO 100 (Sv 5) Bv 0 is EV 5.
    assert luminance(5, k=10.71) == pytest.approx(FOOT_LAMBERT, rel=5e-4)
    assert luminance(5) == pytest.approx(4.0)
    assert luminance(5) / FOOT_LAMBERT == pytest.approx(1.167, abs=1e-3)


# The meter.


def test_the_meters_constants_lie_in_the_ranges_of_the_standard():
    # ISO 2720:1974 as quoted in the documentation of the colour-hdri library: K 10.6 to 13.4, C 240 to 400 for flat
    # receptors. K = 14, which is in use too, lies outside.
    assert 10.6 <= REFLECTED_K <= 13.4 < 14
    assert 240 <= INCIDENT_C <= 400


@pytest.mark.parametrize(
    ("k", "c", "per_cent", "printed_to"),
    # Published for pairs of constants in use: 15.7 %, 17.6 % and about 12 %.
    [(12.5, 250, 15.7, 0.05), (14, 250, 17.6, 0.05), (12.5, 330, 12, 0.5)],
)
@pytest.mark.parametrize("ev", [-3, 0, 12, 15])
def test_reflected_and_incident_metering_agree_on_a_grey_of_the_published_share(k, c, per_cent, printed_to, ev):
    # A matt surface of reflectance R under E lux has the luminance R E / pi.
    grey = math.pi * luminance(ev, k) / illuminance(ev, c) * 100
    assert grey == pytest.approx(per_cent, abs=printed_to)
    # Negative control: "meters are set to 18 %" is not what the constants say.
    assert abs(grey - 18) > printed_to


# Light conditions: ANSI PH2.7-1973/1986 by way of Wikipedia, "Exposure value", EV at ISO 100.
# The apertures that go with them at 1/125 s and ISO 100 are common practice, no source (the "sunny 16" family).
LIGHT = [
    ("snow or sand in full sun", 16, "f/22"),
    ("full sun", 15, "f/16"),
    ("full sun from the side, one stop less", 14, "f/11"),
    ("full sun from behind, two stops less", 13, "f/8"),
    ("hazy sun", 14, "f/11"),
    ("cloudy bright", 13, "f/8"),
    ("heavy overcast", 12, "f/5.6"),
    ("open shade", 12, "f/5.6"),
]


@pytest.mark.parametrize(("light", "ev", "aperture"), LIGHT)
def test_the_planner_takes_the_customary_aperture_for_a_published_light(light, ev, aperture):
    def chosen(ev100):
        brief = demo(
            kit__body__time={"from": "1/125 s", "to": "1/125 s", "step": "1/3"},
            kit__body__iso={"from": "100", "to": "100", "step": "1/3"},
            kit__filters=[],
            scene__light__ev100=str(ev100),
            scene__subjects={"hedge": {"distance": "800 m"}},
            goals=[{"freeze": "hedge"}],
            limits=None,
        )
        (step,) = compile_brief(brief).exposing
        return marks(step)

    assert chosen(ev) == (aperture, "1/125", "100", ())
    # Negative control: one stop less light and the aperture is another.
    assert chosen(ev - 1)[0] != aperture


def test_what_a_brief_is_told_of_its_light_agrees_with_the_published_table():
    with pytest.raises(BriefError, match=r"13 is cloudy bright"):
        demo(scene__light__ev100="bright")
    assert ("cloudy bright", 13) in [(light, ev) for light, ev, _ in LIGHT]


# Printed and exact.

# Published list of ISO marks with their exact values (D. Kerr's note has 320, 640, 1250, 2500; the rest: common
# practice, no source).
ISO_MARKS = {
    "50": 50, "64": 63.0, "80": 79.4, "100": 100, "125": 126, "160": 158.7, "200": 200, "250": 252, "320": 317.5,
    "400": 400, "500": 504, "640": 635, "800": 800, "1000": 1007.9, "1250": 1269.9, "1600": 1600, "2000": 2015.9,
    "2500": 2539.8, "3200": 3200, "4000": 4031.7, "5000": 5079.7, "6400": 6400, "8000": 8063.5, "10000": 10159,
    "12800": 12800, "16000": 16127, "20000": 20319, "25600": 25600,
}  # fmt: skip


def test_iso_marks_have_the_listed_exact_values():
    scale = scale_between("iso", "50", "25600", "thirds")
    assert [m.label for m in scale.marks] == list(ISO_MARKS)
    for m in scale.marks:
        assert m.exact == pytest.approx(ISO_MARKS[m.label], rel=4e-4), m.label  # the list gives three to five figures
    # Negative control: what is printed misses that bar.
    assert any(label_value("iso", m.label) != pytest.approx(ISO_MARKS[m.label], rel=4e-4) for m in scale.marks)


# Half-stop times that third-stop scales do not print (1.5 s and 1/750 s among them), with 2^(n/2). Common practice,
# no source; a Fuji S2 Pro frame marked 1/750 stores Tv 9.5 (test_stops.py).
HALF_STOP_TIMES = {
    "1.5": 0.5, "3": 1.5, "6": 2.5, "20": 4.5, "1/45": -5.5, "1/90": -6.5, "1/180": -7.5, "1/350": -8.5,
    "1/750": -9.5, "1/1500": -10.5, "1/3000": -11.5, "1/6000": -12.5,
}  # fmt: skip


def test_half_stop_times_stand_halfway_between_whole_stops():
    for label, light in HALF_STOP_TIMES.items():
        assert mark("time", label, "halves").light == Fraction(light), label
    # Negative control: 6 s and 20 s stand elsewhere on a scale in thirds.
    assert mark("time", "6").light != Fraction(5, 2) and mark("time", "20").light != Fraction(9, 2)


@pytest.mark.parametrize(
    ("kind", "ends", "worst"),
    # Derived: how far the printed numbers lie from the exact ones, the worst of each series first.
    [
        ("aperture", ("f/1", "f/32"), {"f/1.2": 0.141}),
        ("time", ("1/8000", "30"),
         {"30": 0.093, "15": 0.093, "1/15": 0.093, "1/30": 0.093, "1/60": 0.093, "6": 0.082, "1/6": 0.082}),
    ],
)  # fmt: skip
def test_the_printed_numbers_of_third_stops_lie_as_far_off_as_derived(kind, ends, worst):
    off = off_by_print(kind, "thirds", *ends)[: len(worst)]
    assert {label: round(stops, 3) for stops, label in off} == worst


def test_no_iso_mark_lies_farther_off_than_derived():
    worst, _ = off_by_print("iso", "thirds", "50", "25600")[0]
    assert worst == pytest.approx(0.023, abs=5e-4)


def test_of_the_half_stop_times_above_20_s_lies_farthest_off():
    # Derived, for that list; 0.3 s, which both series print, stands for 0.354 s there and lies farther off.
    off = {label: stops for stops, label in off_by_print("time", "halves", "1/8000", "30")}
    assert max(HALF_STOP_TIMES, key=lambda label: off[label]) == "20"
    assert (off["20"], off["0.3"]) == pytest.approx((0.178, 0.237), abs=5e-4)


@pytest.mark.parametrize(
    ("series", "unrounded"),
    # Published series, f/1 to f/32: these marks are not the exact value to two figures, all others are.
    [("thirds", {"f/1.2", "f/3.5", "f/5.6", "f/22"}), ("halves", {"f/3.3", "f/5.6", "f/22"})],
)
def test_marks_are_the_exact_value_to_two_figures_but_for_the_published_ones(series, unrounded):
    scale = scale_between("aperture", "f/1", "f/32", series)
    found = {m.label for m in scale.marks if f"f/{float(f'{m.exact:.2g}'):g}" != m.label}
    assert found == unrounded


def test_powers_of_the_printed_ratio_1_4_do_not_come_to_the_published_marks():
    # Negative control for every series of apertures: nine whole stops by 1.4 end at f/20.7 instead of f/22.6.
    assert mark("aperture", "f/22").exact == pytest.approx(22.627, abs=5e-4)
    assert abs(1.4**9 - 22.627) > 1.9


def test_f1_2_is_two_values_like_f13():
    # Published third-stop and half-stop series; f/13 is in test_stops.py.
    assert mark("aperture", "f/1.2").exact == pytest.approx(1.260, abs=5e-4)
    assert mark("aperture", "f/1.2", "halves").exact == pytest.approx(1.189, abs=5e-4)


def test_thirty_seconds_take_more_than_thirty():
    # T. Hogan's camera guides: an exposure marked 30 s runs "something over 32 s".
    assert mark("time", "30").exact == 32
    assert label_value("time", "30") < 32


# What a trade knows by heart. Common practice, no source: closing f/3.5 to f/22 costs five and a third stops, so that
# 1/640 s becomes 1/15 s at the same ISO, or ISO 100 becomes 4000 at the same time.


def closed_down(balance, **more):
    """The planner's own marks at f/3.5 and at f/22, in the light for which f/3.5, 1/640 s and ISO 100 are right."""
    ladder = {"change": "aperture", "by": "5 1/3", "balance": balance, "from": "f/3.5", "to": "f/22"}
    light = ev100(*(mark(k, label).exact for k, label in (("aperture", "f/3.5"), ("time", "1/640"), ("iso", "100"))))
    brief = demo(
        kit__filters=[],
        scene__light__ev100=f"{light:.6f}",
        scene__subjects={"hedge": {"distance": "800 m"}},
        goals=[{"ladder": ladder}],
        **more,
    )
    plan = compile_brief(brief)
    assert not plan.unreachable
    return plan


def test_closing_f3_5_to_f22_makes_1_640_s_into_1_15_s_or_iso_100_into_4000():
    slower, faster = closed_down("time"), closed_down("iso")
    assert [marks(step)[:3] for step in slower.exposing] == [("f/3.5", "1/640", "100"), ("f/22", "1/15", "100")]
    assert [marks(step)[:3] for step in faster.exposing] == [("f/3.5", "1/640", "100"), ("f/22", "1/640", "4000")]
    for plan in (slower, faster):
        assert plan.groups[0].spread == pytest.approx(0, abs=LEVEL)


def test_the_five_and_a_third_stops_come_from_exact_values_and_from_the_square_of_the_f_number():
    wide, narrow = mark("aperture", "f/3.5"), mark("aperture", "f/22")
    assert wide.light - narrow.light == Fraction(16, 3)
    assert mark("time", "1/15").light - mark("time", "1/640").light == Fraction(16, 3)
    assert mark("iso", "4000").light - mark("iso", "100").light == Fraction(16, 3)
    # Negative controls: the printed numbers disagree by a ninth of a stop, and the f-number unsquared gives 2 2/3.
    printed = 2 * math.log2(22 / 3.5), math.log2(640 / 15)
    assert abs(printed[0] - printed[1]) > 0.1
    assert math.log2(narrow.exact / wide.exact) == pytest.approx(8 / 3)


# Neutral density.

# Published tables: density, name by factor, marketed stops. What is marketed may differ from the exact value by 0.035.
NEUTRAL = [
    ("0.3", 2, 1), ("0.6", 4, 2), ("0.9", 8, 3), ("1.2", 16, 4), ("1.5", 32, 5), ("1.8", 64, 6), ("2.1", 128, 7),
    ("2.4", 256, 8), ("2.6", 400, 26 / 3), ("2.7", 500, 9), ("3.0", 1000, 10),
]  # fmt: skip
AS_MARKETED = 0.035


def bag(*filters):
    """The stops of filters as a brief gives them."""
    kit = demo(kit__filters=[{"name": f"glass {n}", **one} for n, one in enumerate(filters)]).kit
    return [one.stops for one in kit.filters]


@pytest.mark.parametrize(("density", "factor", "marketed"), NEUTRAL)
def test_a_filters_density_is_read_as_the_stops_of_the_published_tables(density, factor, marketed):
    (stops,) = bag({"density": density})
    assert stops == pytest.approx(marketed, abs=AS_MARKETED)
    assert stops == pytest.approx(math.log2(factor), abs=AS_MARKETED)
    # Negative control: a density of D is not 3 D stops, nor is it read by the natural logarithm.
    wrong = float(density) / math.log(2)
    assert wrong != pytest.approx(marketed, abs=AS_MARKETED)


@pytest.mark.parametrize(
    ("factor", "density", "stops"),
    # ND 400 is sold as 8 2/3 stops; the others are derived: stops = log2(factor), density = log10(factor).
    [(400, 2.602, 8.644), (500, 2.699, 8.966), (1000, 3.0, 9.966), (1024, 3.010, 10.0), (10**4, 4.0, 13.288),
     (10**5, 5.0, 16.610)],
)  # fmt: skip
def test_strong_filters_have_the_derived_stops(factor, density, stops):
    assert bag({"density": f"{math.log10(factor):.9f}"}) == pytest.approx([stops], abs=5e-4)
    assert density_of_stops(stops) == pytest.approx(density, abs=5e-4)


def test_a_filter_named_by_its_factor_is_held_to_the_stops_of_the_tables():
    # The name's factor is worked out where name and strength disagree, and in the advice for `factor`.
    for factor, stops, density in ((8, 3, "0.9"), (64, 6, "1.8"), (400, 8.6, "2.6"), (1000, 10, "3.0")):
        with pytest.raises(BriefError, match=rf"`stops: {stops}` or `density: {density}`"):
            demo(kit__filters=[{"name": "dark glass", "factor": str(factor)}])


def test_stacked_filters_add_their_stops_and_multiply_their_factors():
    stops = bag({"density": "0.9"}, {"density": "1.8"})
    settings = [mark("aperture", "f/8"), mark("time", "1/125"), mark("iso", "100")]
    dimmed = brightness(13, *settings) - brightness(13, *settings, stops)
    assert float(dimmed) == pytest.approx(9, abs=AS_MARKETED)
    assert 2.0 ** float(dimmed) == pytest.approx(10**0.9 * 10**1.8)
    # Negative control: densities multiplied, or the stops not added.
    assert math.prod(stops) != pytest.approx(9, abs=AS_MARKETED) and max(stops) != pytest.approx(9, abs=AS_MARKETED)


def test_a_long_time_on_a_sensor_needs_no_more_than_the_stops_say():
    # Ilford's reciprocity sheet for film: HP5+ wants t^1.31 beyond 1 s, so that 10 s metered become 20.4 s. A sensor
    # has an exponent of 1 (common practice, no source): 1/60 s through ten stops stays 16 s.
    film_s = 10**1.31
    assert film_s == pytest.approx(20.4, abs=0.05)
    base = [mark("aperture", "f/8"), mark("iso", "100")]
    bare = brightness(15, base[0], mark("time", "1/60"), base[1])
    dark = brightness(15, base[0], mark("time", "15"), base[1], [10.0])
    assert dark == bare
    # Negative control: corrected as for film, the picture would come out more than a stop too bright.
    assert abs(1.31 * math.log2(16) - math.log2(16)) > 1
