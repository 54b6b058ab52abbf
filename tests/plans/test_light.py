"""Illuminance, EV, sky and windows of light against published tables and a second published model.

USNO: Janiczek & DeYoung, *Computer Programs for Sun and Moon Illuminance*, US Naval Observatory Circular 171 (1987).
ANSI: PH2.7-1973/1986 as quoted in an encyclopaedia. AMS: *Glossary of Meteorology*, American Meteorological Society.
"""

from __future__ import annotations

import itertools
import math
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plans import ephemeris
from plans.ephemeris import SUNRISE_DEG, Body, Moon
from plans.exposure import illuminance
from plans.light import day, elapsed_s, forecast, later
from plans.light_frame import NEAR_DEG, field_deg, sun_caution, sun_in_frame, times_near
from plans.light_page import light_lines
from plans.light_windows import possible_windows, reach, sure_windows, windows
from plans.sky import (
    SKY_STOPS,
    beam,
    direction,
    estimate,
    ev100_of_illuminance,
    illuminance_lx,
    level_lx,
    moon_illuminance_lx,
)

GARDEN = SimpleNamespace(latitude=52.0, longitude=0.0, timezone="Europe/London")
AUTUMN = date(2026, 10, 20)
NO_MOON = Moon(-40.0, 0.0, 10.0, 0.951)
REFRACTION_DEG = 0.57  # of the sun on the horizon


def circular_171(altitude_deg):
    """Illuminance of level ground by the second model. [lx]"""
    h, x = math.radians(altitude_deg), 753.66156
    s = math.asin(x * math.cos(h) / (x + 1))
    m = x * (math.cos(s) - math.sin(h)) + math.cos(s)
    sky = 0.0289 * math.exp(-0.042 * m) * (1 + (altitude_deg + 90) * math.sin(h) / 57.29578)
    return 133775 * (math.exp(-0.21 * m) * math.sin(h) + sky)


def stops_apart(a, b):
    return abs(math.log2(a / b))


# Level ground under a clear sky.


@pytest.mark.parametrize(
    ("altitude", "lux"),
    # The polynomials (see plans/sky.py) worked out to four figures.
    [
        (90, 128800),
        (60, 103100),
        (45, 77850),
        (30, 46300),
        (20, 27380),
        (10, 11120),
        (5, 4538),
        (0, 759),
        (-0.833, 454),
        (-2, 189),
        (-4, 29.9),
        (-6, 3.41),
        (-8, 0.348),
        (-10, 0.0421),
        (-12, 8.06e-3),
        (-15, 2.02e-3),
        (-18, 6.45e-4),
    ],
)
def test_the_table_of_daylight(altitude, lux):
    assert illuminance_lx(altitude) == pytest.approx(lux, rel=2e-3)
    # Negative control: half a degree aside the row is missed.
    assert illuminance_lx(altitude - 0.57) != pytest.approx(lux, rel=2e-3) or altitude <= -18 or altitude >= 60


@pytest.mark.parametrize(("altitude", "lux"), [(90, 0.269), (60, 0.216), (40, 0.143), (20, 0.058)])
def test_the_table_of_full_moonlight(altitude, lux):
    assert moon_illuminance_lx(altitude) == pytest.approx(lux, rel=0.01)


def test_sunset_and_the_end_of_civil_twilight_lie_within_the_meteorologists_figures():
    # AMS Glossary: 585 to 410 lx at sunset, 3.5 to 2 lx at the end of civil twilight. Other tables: 400 lx, 3.4 lx.
    assert 410 <= illuminance_lx(SUNRISE_DEG) <= 585
    assert 2 <= illuminance_lx(-6) <= 3.5
    assert stops_apart(illuminance_lx(SUNRISE_DEG), 400) < 0.2
    # Negative control, and why altitudes are geometric: as lifted by the air both miss.
    assert illuminance_lx(SUNRISE_DEG + REFRACTION_DEG) > 585
    assert illuminance_lx(-6 + REFRACTION_DEG) > 3.5


def test_a_full_moon_overhead_gives_a_quarter_of_a_lux_and_a_quarter_moon_a_tenth_of_that():
    # Tables: full moon 0.25 to 0.27 lx. ANSI: a quarter moon's scene 3 to 4 stops below a full moon's.
    assert 0.25 <= moon_illuminance_lx(90) <= 0.27
    assert 3 <= stops_apart(moon_illuminance_lx(50, 180), moon_illuminance_lx(50, 90)) <= 4
    assert moon_illuminance_lx(-1) == 0
    near, far = moon_illuminance_lx(50, 180, 1.02), moon_illuminance_lx(50, 180, 0.90)
    assert near / far == pytest.approx((1.02 / 0.90) ** 2)


@pytest.mark.parametrize("join", [20, 5, -0.8, -5, -12])
def test_the_polynomials_meet_at_their_joins(join):
    assert stops_apart(illuminance_lx(join), illuminance_lx(join - 1e-9)) <= 0.0143


def test_light_never_grows_as_the_sun_sinks_and_stays_at_the_tables_last_value():
    lux = [illuminance_lx(altitude / 20) for altitude in range(1800, -1801, -1)]
    # The joins may step up by what the polynomials leave open there.
    assert all(b <= a * 2**0.0143 for a, b in itertools.pairwise(lux))
    assert illuminance_lx(-18.001) == illuminance_lx(-60) == pytest.approx(6.45e-4, rel=1e-3)


def test_the_second_model_is_written_down_as_its_authors_certified_it():
    # Circular 171's certification row: 123 786.3 lx at 89.9565 degrees.
    assert circular_171(89.9565) == pytest.approx(123786.3, abs=0.1)


def test_both_models_agree_within_three_tenths_of_a_stop_down_to_minus_eight_degrees():
    altitudes = [n / 10 for n in range(-80, 901)]
    apart = [stops_apart(illuminance_lx(a), circular_171(a)) for a in altitudes]
    assert max(apart) < 0.305
    # Negative control: with altitudes as lifted by the air they would not.
    assert max(stops_apart(illuminance_lx(a + REFRACTION_DEG), circular_171(a)) for a in altitudes) > 1


@pytest.mark.parametrize("lux", [1e-3, 2.5, 454, 81920, 128800])
def test_ev_and_illuminance_are_each_others_inverse(lux):
    assert illuminance(ev100_of_illuminance(lux)) == pytest.approx(lux, rel=1e-12)


def test_81920_lux_are_ev_15():
    # Documentation of the colour-hdri library, after ISO 2720: illuminance_to_exposure_value(81920, 100) is 15.
    assert ev100_of_illuminance(81920) == pytest.approx(15)
    with pytest.raises(ValueError, match="above 0 lx"):
        ev100_of_illuminance(0)


@pytest.mark.parametrize(
    ("latitude", "on", "at_sunset", "fastest", "civil_min"),
    # Worked out from the polynomials and the sun's path by other code. [stops/min], [min]
    [
        (0, date(2025, 3, 20), 0.249, 0.414, 20.7),
        (35, date(2025, 3, 20), 0.204, 0.338, 25.2),
        (45, date(2025, 3, 20), 0.176, 0.291, 29.3),
        (55, date(2025, 3, 20), 0.142, 0.234, 36.3),
        (45, date(2025, 6, 21), 0.143, 0.216, 37.3),
        (55, date(2025, 6, 21), 0.099, 0.134, 58.2),
    ],
)
def test_how_fast_the_evening_darkens(latitude, on, at_sunset, fastest, civil_min):
    place = SimpleNamespace(latitude=latitude, longitude=0.0, timezone="UTC")
    of = day(place, on, step_min=1)
    times = {event.kind: event.when for event in of.events}
    assert elapsed_s(times["sunset"], times["civil twilight ends"]) / 60 == pytest.approx(civil_min, abs=0.15)
    # Without the moon's light, which such rates leave out; from one minute to the next.

    def fall(when):
        heights = (ephemeris.sun(latitude, 0.0, later(when, seconds)).altitude_deg for seconds in (0, 60))
        before, after = (ev100_of_illuminance(illuminance_lx(height)) for height in heights)
        return before - after

    sunset = times["sunset"]
    assert fall(sunset) == pytest.approx(at_sunset, rel=0.01)
    assert max(fall(later(sunset, 60 * n)) for n in range(90)) == pytest.approx(fastest, rel=0.005)
    # Negative control: half a minute earlier, and an hour earlier, it falls slower.
    assert fall(later(sunset, -30)) < at_sunset * 0.97
    assert fall(later(sunset, -3600)) < at_sunset / 2


# Sky and direction.


@pytest.mark.parametrize("altitude", range(15, 61, 5))
def test_front_lit_subjects_in_sun_haze_and_cloud_meter_as_ansi_has_it(altitude):
    # ANSI from two hours after sunrise, whatever the sun's height.
    ansi = {"clear": 15, "hazy": 14, "cloudy bright": 13, "overcast": 12}
    for sky, row in ansi.items():
        found = estimate(Body(altitude, 180.0), NO_MOON, sky, 0.0)
        assert found.ev100 == pytest.approx(row, abs=0.55)
        assert found.low <= row <= found.high
    # Negative control: level ground alone misses the row under a low sun.
    if altitude <= 20:
        assert ev100_of_illuminance(illuminance_lx(altitude)) < 15 - 1.5


def test_side_light_is_a_stop_and_back_light_two_stops_below_front_light():
    # ANSI, as a correction of its sun rows.
    evs = {facing: estimate(Body(30.0, 180.0), NO_MOON, "clear", facing).ev100 for facing in (0.0, 90.0, 180.0, 270.0)}
    assert evs[0.0] - evs[90.0] == pytest.approx(1)
    assert evs[0.0] - evs[270.0] == pytest.approx(1)
    assert evs[0.0] - evs[180.0] == pytest.approx(2)
    # Clouds and a sun that is down leave no direction.
    for body, sky in ((Body(30.0, 180.0), "overcast"), (Body(-2.0, 180.0), "clear")):
        assert len({estimate(body, NO_MOON, sky, facing) for facing in (0.0, 90.0, 180.0)}) == 1


@pytest.mark.parametrize(
    ("sun", "facing", "name"),
    [
        (180, 0, "front light"),
        (180, 180, "back light"),
        (180, 90, "side light from the right"),
        (180, 270, "side light from the left"),
        (10, 350, "back light"),
        (350, 100, "side light from the left"),
    ],
)
def test_the_lights_direction_has_a_name(sun, facing, name):
    assert direction(Body(30.0, sun), facing).name == name
    assert direction(Body(80.0, sun), facing).name == "top light"


def test_skylight_and_sunlight_add_up_to_the_second_model_again():
    for altitude in (2, 10, 30, 60, 90):
        share, toward = beam(altitude)
        h = math.radians(altitude)
        # An upright surface towards the sun: the direct part turned by the sun's height, and the sky.
        assert share / math.tan(h) + 1 - share == pytest.approx(toward)
        direct = share * circular_171(altitude)
        assert 0 < direct < circular_171(altitude)
    assert beam(-1) == (0, 1)


@pytest.mark.parametrize("altitude", [5, 10, 20, 30, 45, 60])
def test_an_overcast_sky_is_as_bright_as_the_standard_one(altitude):
    # Krochmann 1963, taken into the CIE's overcast sky (from memory): 300 + 21000 sin h lx on level ground.
    standard = ev100_of_illuminance(300 + 21000 * math.sin(math.radians(altitude)))
    assert estimate(Body(altitude, 180.0), NO_MOON, "overcast", None).ev100 == pytest.approx(standard, abs=0.65)
    # Negative control: three stops off level ground's clear light would be too dark under a low sun.
    if altitude in (10, 20):
        assert standard - (ev100_of_illuminance(illuminance_lx(altitude)) - 3) > 0.65


def test_clouds_weaken_light_by_what_the_second_model_divides_by():
    # Circular 171: divide by 1 (clear), 2 (thin cloud), 3 (average cloud) and 10 (dark cloud).
    for sky, factor in zip(("clear", "hazy", "cloudy bright", "overcast"), (1, 2, 3, 10), strict=True):
        assert -SKY_STOPS[sky] == pytest.approx(math.log2(factor), abs=0.5)


def test_the_range_holds_ansis_moonlit_and_low_sun_scenes():
    # ANSI: full-moonlit scene -3 to -2; just before sunset 12 to 14.
    moonlit = estimate(Body(-30.0, 0.0), Moon(60.0, 180.0, 178.0, 0.951), "clear", None)
    assert moonlit.low < -3 < -2 < moonlit.high
    assert 12 <= estimate(Body(5.0, 270.0), NO_MOON, "clear", 90.0).ev100 <= 14


SKIES = ("clear", "hazy", "cloudy bright", "overcast", None)


@given(
    altitude=st.floats(-40, 89),
    azimuth=st.floats(0, 360),
    facing=st.none() | st.floats(0, 360),
    sky=st.sampled_from(SKIES),
)
def test_the_estimate_lies_in_its_range_and_an_unknown_sky_holds_all_skies(altitude, azimuth, facing, sky):
    sun = Body(altitude, azimuth)
    found = estimate(sun, NO_MOON, sky, facing)
    assert found.low < found.ev100 < found.high
    unknown = estimate(sun, NO_MOON, None, facing)
    assert unknown.low <= found.low + 1e-9
    assert unknown.high >= found.high - 1e-9


@given(altitude=st.floats(-20, 89), sky=st.sampled_from(SKIES), facing=st.sampled_from([None, 0.0, 90.0, 180.0]))
def test_a_little_more_height_changes_the_estimate_only_a_little(altitude, sky, facing):
    steps = [estimate(Body(altitude + d, 180.0), NO_MOON, sky, facing) for d in (0, 0.01)]
    assert all(abs(a - b) < 0.035 for a, b in zip(*steps, strict=True))


# The day and its windows.


def test_the_forecast_of_the_demo_scene_says_what_it_is():
    when = datetime(2026, 10, 20, 14, 30, tzinfo=UTC)
    found = forecast(GARDEN, when, "clear", 0.0)
    sun, moon = found.sun, found.moon
    assert found.direction is not None
    assert found.direction.name == "front light"
    assert found.text.startswith(f"EV {found.ev100:.1f} for upright subjects")
    assert ev100_of_illuminance(level_lx(sun, moon)) == pytest.approx(forecast(GARDEN, when).ev100)
    assert any("3.3 stops" in reason for reason in found.reasons)
    assert not any("town light" in reason for reason in found.reasons)
    night = forecast(GARDEN, when + timedelta(hours=6), "clear", 0.0)
    assert night.direction is None
    assert any("town light" in reason for reason in night.reasons)
    with pytest.raises(ValueError, match="aware"):
        forecast(GARDEN, datetime(2026, 10, 20))  # noqa: DTZ001 - the point of it


def test_samples_are_forecasts_and_shadows_follow_the_sun():
    of = day(GARDEN, AUTUMN, "hazy", 200.0)
    for sample in of.samples[::13]:
        alone = forecast(GARDEN, sample.when, "hazy", 200.0)
        assert (sample.ev100, sample.low, sample.high) == pytest.approx((alone.ev100, alone.low, alone.high), abs=2e-3)
        if sample.shadow_m is not None and sample.shadow_m < 500:
            assert math.degrees(math.atan(1 / sample.shadow_m)) == pytest.approx(alone.sun.altitude_deg, abs=1e-3)
        else:
            assert alone.sun.altitude_deg <= 0.12
    assert all(sample.shadow_m is None for sample in day(GARDEN, AUTUMN, "overcast", 200.0).samples)
    assert of.nearest(of.samples[40].when + timedelta(seconds=100)) == of.samples[40]


@pytest.mark.parametrize("latitude", [0.0, 20.0, 52.0, 65.0])
def test_light_that_runs_straight_between_samples_is_right_to_a_tenth_of_a_stop(latitude):
    place = SimpleNamespace(latitude=latitude, longitude=0.0, timezone="UTC")
    for on, sky, facing in itertools.product((date(2026, 3, 20), date(2026, 6, 21)), ("clear", None), (None, 200.0)):
        coarse, fine = day(place, on, sky, facing), day(place, on, sky, facing, 1)
        lit = [sample.sun.altitude_deg > -12 for sample in fine.samples]
        for name, curve in fine.curves.items():
            off = abs(np.interp(fine.times_s, coarse.times_s, coarse.curves[name]) - curve)
            assert off[lit].max() < 0.1
            # Negative control: samples an hour apart would not do.
            hourly = np.interp(fine.times_s, coarse.times_s[::12], coarse.curves[name][::12])
            assert abs(hourly - curve)[lit].max() > 0.1


@settings(max_examples=60, deadline=None)
@given(low=st.floats(-14, 16), width=st.floats(0.05, 12), sky=st.sampled_from(SKIES))
def test_windows_are_where_the_light_lies_in_the_range(low, width, sky):
    of, high = day(GARDEN, AUTUMN, sky), low + width
    found = windows(of, low, high)
    for start, end in found:
        for edge in (start, end):
            if edge not in (of.start, of.end):
                ev = forecast(GARDEN, edge, sky).ev100
                assert min(abs(ev - low), abs(ev - high)) < 0.1 or of.nearest(edge).sun.altitude_deg < -12
    for sample in of.samples:
        inside = any(start <= sample.when <= end for start, end in found)
        assert inside == (low <= sample.ev100 <= high) or min(abs(sample.ev100 - low), abs(sample.ev100 - high)) < 1e-6
    # Sure lies within expected, expected within possible.
    for inner, outer in (
        (sure_windows(of, low, high), found),
        (found, possible_windows(of, low, high)),
    ):
        for start, end in inner:
            assert any(a <= start and end <= b for a, b in outer)


def test_the_time_range_follows_from_the_ev_range():
    of = day(GARDEN, AUTUMN, "clear", 200.0)
    (expected,), (possible,), (sure,) = (pick(of, 11.0, math.inf) for pick in (windows, possible_windows, sure_windows))
    assert possible[0] < expected[0] < sure[0] < sure[1] < expected[1] < possible[1]
    # Earliest when the light is at the top of its range, latest when it is at its foot.
    assert forecast(GARDEN, possible[0], "clear", 200.0).high == pytest.approx(11, abs=0.1)
    assert forecast(GARDEN, sure[0], "clear", 200.0).low == pytest.approx(11, abs=0.1)
    assert windows(of, -math.inf, math.inf) == ((of.start, of.end),)
    assert windows(of, 20, math.inf) == possible_windows(of, 20, math.inf) == ()


def test_ranges_of_a_goal_that_touch_make_one_window():
    of = day(GARDEN, AUTUMN)
    whole = reach(of, "silk", [(5, 12)])
    parts = reach(of, "silk", [(5, 9), (9, 12)])
    assert parts.expected == whole.expected
    assert len(whole.expected) == 2
    assert whole.holds(whole.expected[0][0] + timedelta(minutes=1)) in ("expected", "sure")
    assert whole.holds(of.start) == "no"
    assert reach(of, "silk", []).possible == ()


def test_a_day_that_was_asked_for_is_remembered():
    assert day(GARDEN, AUTUMN) is day(GARDEN, AUTUMN)


# The sun and the frame.


def nearest_of_frame(sun, facing, horizontal, vertical, tilt):
    """The least angle from the sun to any of a fine net of points in the frame. [degrees]"""
    # East, north, up; the camera turned by facing and lifted by tilt, another way than by components.
    u, v = np.meshgrid(
        np.linspace(-1, 1, 161) * math.tan(math.radians(horizontal / 2)),
        np.linspace(-1, 1, 161) * math.tan(math.radians(vertical / 2)),
    )
    rays = np.stack([u, np.ones_like(u), v], axis=-1)
    a, t = math.radians(-facing), math.radians(tilt)
    lift = np.array([[1, 0, 0], [0, math.cos(t), -math.sin(t)], [0, math.sin(t), math.cos(t)]])
    turn = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])
    rays = rays @ (turn @ lift).T
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    alt, az = math.radians(sun.altitude_deg), math.radians(sun.azimuth_deg)
    to = np.array([math.cos(alt) * math.sin(az), math.cos(alt) * math.cos(az), math.sin(alt)])
    return math.degrees(math.acos(min(1.0, float((rays @ to).max()))))


@settings(max_examples=80, deadline=None)
@given(
    altitude=st.floats(-1, 90),
    azimuth=st.floats(0, 360),
    facing=st.floats(0, 360),
    horizontal=st.floats(5, 110),
    vertical=st.floats(5, 90),
    tilt=st.floats(-60, 60),
)
def test_the_suns_way_to_the_frame_is_the_shortest(altitude, azimuth, facing, horizontal, vertical, tilt):
    sun = Body(altitude, azimuth)
    found = sun_in_frame(sun, facing, horizontal, vertical, tilt)
    assert found.from_frame_deg == pytest.approx(nearest_of_frame(sun, facing, horizontal, vertical, tilt), abs=0.6)
    assert found.from_axis_deg >= found.from_frame_deg - 1e-9


def test_the_frame_of_a_50_mm_lens_and_the_sun_at_its_side():
    # Field of a 36 x 24 mm frame at 50 mm: 39.6 by 27.0 degrees, as every lens table has it.
    wide, high = field_deg(36, 50), field_deg(24, 50)
    assert (wide, high) == pytest.approx((39.6, 27.0), abs=0.05)
    assert sun_in_frame(Body(0.0, 90.0), 90.0, wide, high) == (0, 0)
    assert sun_in_frame(Body(0.0, 130.0), 90.0, wide, high) == pytest.approx((40, 40 - wide / 2))
    assert sun_in_frame(Body(90.0, 0.0), 90.0, wide, high) == pytest.approx((90, 90 - high / 2))
    # Negative control: a high sun is far from the frame though its bearing is the camera's.
    assert sun_in_frame(Body(70.0, 90.0), 90.0, wide, high).from_frame_deg > NEAR_DEG
    with pytest.raises(ValueError, match="between 0 and 180"):
        sun_in_frame(Body(0.0, 90.0), 90.0, 180.0, high)


def test_a_caution_is_given_within_thirty_degrees_of_the_frame_and_only_while_the_sun_is_up():
    def caution(sun):
        return sun_caution(sun, sun_in_frame(sun, 90.0, 40.0, 27.0))

    assert "in the frame" in caution(Body(5.0, 90.0))
    near = caution(Body(5.0, 139.0))
    assert "29\N{DEGREE SIGN} outside" in near
    for word in ("optical finder", "no eye protection", "cap the lens", "fire"):
        assert word in near
    assert caution(Body(5.0, 142.0)) is None
    assert caution(Body(-1.0, 90.0)) is None


def test_the_times_near_the_frame_are_the_samples_near_it():
    of = day(GARDEN, AUTUMN, "clear", 200.0)
    ((start, end),) = times_near(of, 40.0, 27.0)
    for sample in of.samples:
        close = sun_in_frame(sample.sun, 200.0, 40.0, 27.0).from_frame_deg <= NEAR_DEG
        up = sample.sun.altitude_deg > SUNRISE_DEG
        assert (start <= sample.when <= end) == (close and up)
    assert times_near(day(GARDEN, AUTUMN), 40.0, 27.0) == ()


# The page.


@settings(max_examples=40, deadline=None)
@given(
    latitude=st.floats(-90, 90),
    longitude=st.floats(-180, 180),
    on=st.dates(date(1970, 1, 1), date(2199, 12, 31)),
    sky=st.sampled_from(SKIES),
    facing=st.none() | st.floats(0, 360),
    timezone=st.sampled_from(["Europe/London", "Australia/Lord_Howe", "America/Sao_Paulo", "Pacific/Kiritimati"]),
    name=st.text(max_size=120),
    ranges=st.lists(st.tuples(st.floats(-20, 0), st.floats(0, 20) | st.just(math.inf)), max_size=2),
)
def test_no_line_of_the_page_is_longer_than_a_terminal(latitude, longitude, on, sky, facing, timezone, name, ranges):
    place = SimpleNamespace(latitude=latitude, longitude=longitude, timezone=timezone)
    try:
        of = day(place, on, sky, facing)
    except ValueError as error:
        assert "date line" in str(error)  # Kiritimati left out the first day of 1995
        return
    lines = light_lines(name, of, [reach(of, name, ranges)], later(of.start, 3600), ["caution " * 30])
    assert max(map(len, lines)) <= 80
    assert all(line == line.rstrip() for line in lines[1:] if name not in line)
    assert [event.when for event in of.events] == sorted(event.when for event in of.events)


def test_the_page_of_the_demo_scene_has_its_events_bars_and_windows():
    of = day(GARDEN, AUTUMN)
    freeze = reach(of, "freeze spout", [(12.5, math.inf)])
    lines = light_lines(
        "Fountain", of, [freeze], datetime(2026, 10, 20, 14, 30, tzinfo=UTC).astimezone(of.start.tzinfo)
    )
    sunset = next(line for line in lines if "sunset," in line)
    assert sunset.split()[:2] == ["17:55", "7.5"]
    assert "west 254" in sunset
    assert any("the brief's time" in line and "15:30" in line for line in lines)
    strip = lines[lines.index("freeze spout: EV 12.5 and more") + 1].strip()
    assert set(strip) <= set("#=-.")
    assert len(strip) == 48
    # One character for half an hour: as many as the window is long.
    start, end = freeze.expected[0]
    assert strip.count("#") + strip.count("=") == pytest.approx(elapsed_s(start, end) / 1800, abs=1)
    text = " ".join(lines)
    for said in ("level ground", "town light", "measurement", "breaks the common light of a pair"):
        assert said in " ".join(text.split())
