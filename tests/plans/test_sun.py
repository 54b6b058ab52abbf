"""Where sun and moon stand, against published positions and the reference algorithm of NREL as pvlib has it.

NREL: Reda & Andreas, *Solar Position Algorithm for Solar Radiation Applications*, NREL/TP-560-34302 (2003, rev. 2008).
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import pytest

from plans import ephemeris
from plans.light import day, elapsed_s, local_midnight
from plans.light_events import _crossings, _with_turns

GOLDEN = (39.742476, -105.1786)  # of the report's worked example
NREL_TIME = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC)


def spot(latitude, longitude, timezone):
    return SimpleNamespace(latitude=latitude, longitude=longitude, timezone=timezone)


def events(place, on, kind):
    return [event.when for event in day(place, on).events if event.kind == kind]


@pytest.fixture(scope="module")
def spa():
    """Geometric elevation and azimuth at a place and several times, by pvlib. [degrees]"""
    import pandas as pd
    from pvlib import solarposition

    def position(latitude, longitude, times):
        found = solarposition.spa_python(pd.DatetimeIndex(times), latitude, longitude)
        return found["elevation"].to_numpy(), found["azimuth"].to_numpy()

    return position


def bent_upwards(elevation_deg, mbar, celsius):
    """Elevation as seen through the air: equation 42 of the NREL report. [degrees]"""
    bend = 1.02 / (60 * math.tan(math.radians(elevation_deg + 10.3 / (elevation_deg + 5.11))))
    return elevation_deg + mbar / 1010 * 283 / (273 + celsius) * bend


def test_the_worked_example_of_the_nrel_report():
    # Zenith 50.11162 and azimuth 194.34024 degrees at 820 mbar and 11 degrees Celsius.
    found = ephemeris.sun(*GOLDEN, NREL_TIME)
    seen = 90 - bent_upwards(found.altitude_deg, 820, 11)
    assert seen == pytest.approx(50.11162, abs=0.001)
    assert found.azimuth_deg == pytest.approx(194.34024, abs=0.001)
    # Negative controls: without the air's bending, and with the longitude's sign flipped.
    assert 90 - found.altitude_deg != pytest.approx(50.11162, abs=0.01)
    flipped = ephemeris.sun(GOLDEN[0], -GOLDEN[1], NREL_TIME)
    assert abs(flipped.azimuth_deg - 194.34024) > 30


def test_the_sun_stands_where_nrels_algorithm_puts_it_from_1970_to_2199(spa):
    worst = 0.0
    for latitude, longitude in ((0.5, 0.0), (52.0, 0.0), (-33.9, 151.2), (69.6, 18.9), (-77.8, 166.7), (39.7, -105.2)):
        times = [
            datetime(year, month, 3 + month, hour, 7 * month % 60, tzinfo=UTC)
            for year in (1970, 2003, 2026, 2100, 2199)
            for month in (1, 3, 6, 9, 12)
            for hour in (1, 7, 13, 19)
        ]
        elevations, azimuths = spa(latitude, longitude, times)
        for when, elevation, azimuth in zip(times, elevations, azimuths, strict=True):
            found = ephemeris.sun(latitude, longitude, when)
            turn = (found.azimuth_deg - azimuth + 180) % 360 - 180
            apart = math.hypot(found.altitude_deg - elevation, turn * math.cos(math.radians(elevation)))
            assert apart < 0.01, (latitude, longitude, when)
            worst = max(worst, apart)
    # Negative control: the bar is fine enough to see four minutes of time, and the air's bending at the horizon.
    late = ephemeris.sun(52.0, 0.0, times[0] + timedelta(minutes=4))
    assert abs(late.azimuth_deg - ephemeris.sun(52.0, 0.0, times[0]).azimuth_deg) > 0.3 > worst


@pytest.mark.parametrize(
    ("place", "on", "sunset"),
    # Sunset in UTC, centre at -0.8333 degrees: roots of NREL's elevation, to the second.
    [
        (spot(*GOLDEN, "America/Denver"), date(2003, 10, 17), datetime(2003, 10, 18, 0, 18, 50, tzinfo=UTC)),
        (spot(51.4769, 0.0, "Europe/London"), date(2024, 6, 21), datetime(2024, 6, 21, 20, 20, 57, tzinfo=UTC)),
        (spot(45.0, 0.0, "UTC"), date(2025, 3, 20), datetime(2025, 3, 20, 18, 12, 35, tzinfo=UTC)),
        (
            spot(-33.8688, 151.2093, "Australia/Sydney"),
            date(2025, 12, 21),
            datetime(2025, 12, 21, 9, 5, 31, tzinfo=UTC),
        ),
    ],
)
def test_sunset_is_where_nrels_elevation_passes_the_horizon(place, on, sunset, spa):
    (found,) = events(place, on, "sunset")
    assert abs(elapsed_s(sunset, found)) < 2.5
    elevations, _ = spa(place.latitude, place.longitude, [found.astimezone(UTC)])
    assert elevations[0] == pytest.approx(ephemeris.SUNRISE_DEG, abs=0.002)
    # Negative controls: another longitude's sign, and a horizon without the air's 34 minutes of arc.
    if place.longitude:
        mirror = spot(place.latitude, -place.longitude, place.timezone)
        assert all(abs(elapsed_s(sunset, when)) > 3600 for when in events(mirror, on, "sunset"))
    early, _ = spa(place.latitude, place.longitude, [(found - timedelta(minutes=3)).astimezone(UTC)])
    assert early[0] > ephemeris.SUNRISE_DEG + 0.3


def test_the_reports_own_sunset_is_that_of_the_local_day_before(spa):
    # The report prints 06:12:43 and 17:20:19 (UTC-7) for 17 October: for the UTC day, whose sunset is the local 16th's.
    golden = spot(*GOLDEN, "Etc/GMT+7")
    (sunrise,) = events(golden, date(2003, 10, 17), "sunrise")
    (before,) = events(golden, date(2003, 10, 16), "sunset")
    (real,) = events(golden, date(2003, 10, 17), "sunset")
    assert abs(elapsed_s(datetime(2003, 10, 17, 13, 12, 43, tzinfo=UTC), sunrise)) < 3
    assert abs(elapsed_s(datetime(2003, 10, 17, 0, 20, 19, tzinfo=UTC), before)) < 3
    printed = datetime(2003, 10, 18, 0, 20, 19, tzinfo=UTC)
    assert elapsed_s(printed, real) == pytest.approx(-89, abs=3)
    assert spa(*GOLDEN, [printed])[0][0] == pytest.approx(-1.11, abs=0.01)


def test_the_moon_stands_where_meeus_example_puts_it():
    # Meeus, *Astronomical Algorithms*, example 47.a (from memory): 1992 April 12.0 TD: right ascension 134.688470,
    # declination 13.768368, parallax 0.991990 degrees; dynamical time was 59 s ahead. Height by spherical triangles,
    # with Greenwich's sidereal time of 1982 and the parallax of a round earth.
    when = datetime(1992, 4, 11, 23, 59, 1, tzinfo=UTC)
    days = (when - datetime(2000, 1, 1, 12, tzinfo=UTC)) / timedelta(days=1)
    sidereal = 280.46061837 + 360.98564736629 * days
    for latitude, longitude in ((52.0, 0.0), (-30.0, 40.0), (10.0, -70.0)):
        hour = math.radians(sidereal + longitude - 134.688470)
        phi, delta = math.radians(latitude), math.radians(13.768368)
        centre = math.asin(math.sin(phi) * math.sin(delta) + math.cos(phi) * math.cos(delta) * math.cos(hour))
        sine = math.sin(math.radians(0.991990))
        seen = math.degrees(math.atan2(math.sin(centre) - sine, math.cos(centre)))
        found = ephemeris.moon(latitude, longitude, when)
        assert found.parallax_deg == pytest.approx(0.991990, abs=2e-4)
        assert found.altitude_deg == pytest.approx(seen, abs=0.01)
        # Negative control: seen from the earth's centre the moon stands higher.
        assert math.degrees(centre) - found.altitude_deg > 0.05


def test_eclipses_are_at_new_and_full_moon():
    # Greatest eclipse, from memory: of the sun 2024 April 8, 18:17 UTC; of the moon 2025 September 7, 18:12 UTC.
    new = ephemeris.moon(0, 0, datetime(2024, 4, 8, 18, 17, tzinfo=UTC))
    full = ephemeris.moon(0, 0, datetime(2025, 9, 7, 18, 12, tzinfo=UTC))
    assert new.elongation_deg < 0.5
    assert new.lit_share < 1e-4
    assert full.elongation_deg > 179.5
    assert full.lit_share > 0.9999
    # Negative control: a day later neither holds.
    assert ephemeris.moon(0, 0, datetime(2024, 4, 9, 18, 17, tzinfo=UTC)).elongation_deg > 10


def test_moonrise_and_moonset_agree_with_ephems_own_search():
    # The same library by another way: its iteration on hour angles.
    import ephem

    observer = ephem.Observer()
    observer.lat, observer.lon, observer.pressure, observer.horizon = "52", "0", 0, "-0:34"
    for n in range(0, 28, 3):
        on = date(2026, 10, 1) + timedelta(days=n)
        for event in day(spot(52.0, 0.0, "UTC"), on).events:
            if event.kind not in ("moonrise", "moonset"):
                continue
            observer.date = ephem.Date(event.when.replace(tzinfo=None) - timedelta(hours=1))
            search = observer.next_rising if event.kind == "moonrise" else observer.next_setting
            theirs = search(ephem.Moon()).datetime().replace(tzinfo=UTC)
            assert abs(elapsed_s(theirs, event.when)) < 5


def test_a_track_is_right_between_its_knots():
    start = datetime(2026, 6, 20, 3, tzinfo=UTC)
    for latitude, longitude in ((52.0, 0.0), (0.0, 100.0), (-80.0, 30.0), (90.0, 0.0)):
        track = ephemeris.track(latitude, longitude, start, start + timedelta(hours=25))
        for minutes in range(0, 25 * 60 + 1, 17):
            when = start + timedelta(minutes=minutes)
            sun, moon = track.sun(60 * minutes), track.moon(60 * minutes)
            assert sun.altitude_deg == pytest.approx(ephemeris.sun(latitude, longitude, when).altitude_deg, abs=1e-3)
            assert moon == pytest.approx(ephemeris.moon(latitude, longitude, when), abs=2e-3)
            assert track.suns([0.0, 60.0 * minutes])[1] == pytest.approx(sun, abs=1e-9)
            assert track.moons([0.0, 60.0 * minutes])[1] == pytest.approx(moon, abs=1e-9)


def test_noon_is_when_the_sun_is_due_south_or_north(spa):
    for place, bearing in ((spot(52.0, 0.0, "UTC"), 180), (spot(-33.9, 151.2, "Australia/Sydney"), 0)):
        (noon,) = events(place, date(2026, 10, 20), "solar noon")
        _, azimuths = spa(place.latitude, place.longitude, [noon.astimezone(UTC)])
        assert (azimuths[0] - bearing + 180) % 360 - 180 == pytest.approx(0, abs=0.02)


def test_above_the_polar_circle_the_sun_may_not_set_or_not_rise_and_that_is_said():
    far_north = spot(69.6, 18.9, "Europe/Oslo")
    summer, winter = day(far_north, date(2026, 6, 20)), day(far_north, date(2026, 12, 20))
    assert "the sun does not set" in summer.notes
    assert "the sun does not rise" in winter.notes
    for one in (summer, winter):
        assert {"sunrise", "sunset"}.isdisjoint(event.kind for event in one.events)
    assert [event.kind for event in winter.events if "civil" in event.kind] == [
        "civil twilight begins",
        "civil twilight ends",
    ]
    # Negative control: an equinox there has both, and nothing is said of the sun.
    spring = day(far_north, date(2026, 3, 20))
    assert {"sunrise", "sunset"} <= {event.kind for event in spring.events}
    assert not any("sun does" in note for note in spring.notes)
    assert day(spot(52.0, 0.0, "Europe/London"), date(2026, 6, 20)).notes[0] == (
        "no full night: it gets no darker than astronomical twilight"
    )
    for pole in (90.0, -90.0):
        assert any("sun does not" in note for note in day(spot(pole, 0.0, "UTC"), date(2026, 1, 1)).notes)


def test_a_sun_that_peeps_over_the_horizon_between_two_samples_is_seen():
    # The latitude at which the noon sun's upper edge just clears the horizon: samples every 60 minutes miss it.
    latitude = 67.0
    for _ in range(6):
        noon = next(e for e in day(spot(latitude, 7.0, "UTC"), date(2026, 12, 21)).events if e.kind == "solar noon")
        latitude += noon.altitude_deg - (ephemeris.SUNRISE_DEG + 0.002)
    peep = day(spot(latitude, 7.0, "UTC"), date(2026, 12, 21), step_min=60)
    assert all(sample.sun.altitude_deg < ephemeris.SUNRISE_DEG for sample in peep.samples)
    up, down = (next(e.when for e in peep.events if e.kind == kind) for kind in ("sunrise", "sunset"))
    assert 60 < elapsed_s(up, down) < 3000
    # Negative control: without the turning points among the samples nothing crosses.
    track = ephemeris.track(latitude, 7.0, peep.start, peep.end)
    times = [float(t) for t in peep.times_s]
    heights = [sample.sun.altitude_deg for sample in peep.samples]

    def height(seconds):
        return track.sun(seconds).altitude_deg

    assert not list(_crossings(height, list(zip(times, heights, strict=True)), ephemeris.SUNRISE_DEG))
    assert len(list(_crossings(height, _with_turns(height, times, heights), ephemeris.SUNRISE_DEG))) == 2


@pytest.mark.parametrize(
    ("timezone", "on", "hours", "first"),
    [
        ("Europe/London", date(2026, 3, 29), 23, "00:00"),
        ("Europe/London", date(2026, 10, 25), 25, "00:00"),
        ("Australia/Lord_Howe", date(2026, 10, 4), 23.5, "00:00"),
        ("America/Sao_Paulo", date(2018, 11, 4), 23, "01:00"),  # clocks went forward at midnight
        ("Asia/Kolkata", date(2026, 3, 29), 24, "00:00"),
    ],
)
def test_a_day_is_as_long_as_the_clocks_make_it(timezone, on, hours, first):
    one = day(spot(40.0, 20.0, timezone), on)
    assert elapsed_s(one.start, one.end) == hours * 3600
    assert f"{one.start:%H:%M}" == first
    assert {sample.when.date() for sample in one.samples[:-1]} == {on}
    assert any("clocks change" in note for note in one.notes) == (hours != 24)
    steps = {elapsed_s(a.when, b.when) for a, b in zip(one.samples, one.samples[1:], strict=False)}
    assert steps == {300.0}


def test_a_date_that_never_was_at_a_place_is_refused():
    # Samoa changed sides of the date line at the end of 29 December 2011 (IANA time zone data).
    with pytest.raises(ValueError, match="no 2011-12-30 in Pacific/Apia"):
        day(spot(-13.8, -171.8, "Pacific/Apia"), date(2011, 12, 30))
    assert day(spot(-13.8, -171.8, "Pacific/Apia"), date(2011, 12, 31)).start.day == 31


@pytest.mark.parametrize("on", [date(1970, 1, 1), date(2199, 12, 31)])
def test_the_first_and_the_last_day_work(on):
    assert {"sunrise", "sunset"} <= {event.kind for event in day(spot(52.0, 0.0, "Europe/London"), on).events}


@pytest.mark.parametrize("on", [date(1969, 12, 31), date(2200, 1, 1)])
def test_other_years_are_refused(on):
    with pytest.raises(ValueError, match="1970 to 2199"):
        day(spot(52.0, 0.0, "Europe/London"), on)


def test_a_place_off_the_earth_and_a_time_without_zone_are_refused():
    with pytest.raises(ValueError, match="-90 to 90"):
        ephemeris.sun(91, 0, NREL_TIME)
    with pytest.raises(ValueError, match="aware"):
        ephemeris.moon(0, 0, datetime(2026, 1, 1))  # noqa: DTZ001 - the point of it
    assert local_midnight(date(2026, 10, 20), "Europe/London").astimezone(UTC).hour == 23
