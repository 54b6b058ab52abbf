"""EV, the meter equation and image brightness against published numbers."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from plans.exposure import brightness, density_of_stops, ev100, illuminance, luminance, magnification_loss
from plans.stops import exact_value, scale_between


def mark(kind, label):
    ends = {"aperture": ("f/1", "f/32"), "time": ("1/8000", "30"), "iso": ("50", "25600")}[kind]
    return scale_between(kind, *ends, "thirds").find(label)


def test_ev_15_is_4096_candela_a_square_metre_and_81920_lux():
    # ISO 2720:1974 with K = 12.5 and C = 250, as in the documentation of the colour-hdri library.
    assert luminance(15) == pytest.approx(4096)
    assert illuminance(15) == pytest.approx(81920)
    assert (luminance(0), illuminance(0)) == pytest.approx((0.125, 2.5))
    # Negative control: with the other constant in use, K = 14, the row fails.
    assert luminance(15, k=14) != pytest.approx(4096, rel=0.05)


def test_ev_agrees_with_the_colour_hdri_library():
    # Its docstrings and outputs: exposure_value_100(8, 1/250, 400), and 8 cd/m^2 and 160 lx at f/8, 1 s, ISO 100.
    assert ev100(8, 1 / 250, 400) == pytest.approx(11.9657843, abs=5e-8)
    assert luminance(ev100(8, 1, 100)) == pytest.approx(8.0)
    assert illuminance(ev100(8, 1, 100)) == pytest.approx(160.0)


def test_f16_at_one_over_the_iso_speed_is_the_3200_candela_of_the_ansi_example():
    # Worked example of the ANSI meter standard.
    assert luminance(ev100(16, 1 / 100, 100)) == pytest.approx(3200)


@pytest.mark.parametrize(
    ("kind", "apex", "value"),
    [
        ("aperture", 1695994 / 1000000, 1.8),  # published Exif ApertureValue
        ("time", 8643856 / 1000000, 1 / 400),  # published Exif ShutterSpeedValue
    ],
)
def test_apex_values_of_exif_give_the_published_marks(kind, apex, value):
    assert exact_value(kind, -apex) == pytest.approx(value, rel=1e-5)


def test_the_apex_values_stored_by_a_camera_add_up():
    # An iPhone 4S frame (1/4608, f/2.4, ISO 50): Av 2.5261 + Tv 12.1700 against Bv 10.6936 + Sv 4.
    ev = ev100(2.4, 1 / 4608, 50)
    av_tv, bv_sv = 2.5261 + 12.1700, 10.6936 + 4
    assert ev + math.log2(50 / 100) == pytest.approx(av_tv, abs=0.01)
    assert av_tv == pytest.approx(bv_sv, abs=0.01)


def test_f16_at_1_125_is_ev_15_by_exact_values_only():
    assert ev100(mark("aperture", "f/16").exact, mark("time", "1/125").exact, 100) == pytest.approx(15, abs=1e-12)
    assert ev100(16, 1 / 125, 100) == pytest.approx(14.966, abs=5e-4)


@pytest.mark.parametrize(
    ("density", "stops"),
    # Published neutral-density tables; what is marketed may differ by 0.035 stop.
    [(0.3, 1), (0.6, 2), (0.9, 3), (1.8, 6), (2.6, 8.644), (3.0, 9.966), (4.0, 13.288), (5.0, 16.610)],
)
def test_density_and_stops_of_a_filter_agree_with_the_tables(density, stops):
    assert density_of_stops(stops) == pytest.approx(density, abs=0.035 * math.log10(2))


def test_a_sixtieth_through_ten_stops_is_16_seconds():
    # Exact value of a published filter table; multiplying the nominal mark gives 16.67 s there.
    through = brightness(0, mark("aperture", "f/1"), mark("time", "15"), mark("iso", "100"), [10.0])
    bare = brightness(0, mark("aperture", "f/1"), mark("time", "1/60"), mark("iso", "100"))
    assert through == bare
    assert mark("time", "15").exact == 16


def test_brightness_is_zero_where_the_meter_says_so_and_counts_one_a_stop():
    sunny = [mark("aperture", "f/16"), mark("time", "1/125"), mark("iso", "100")]
    assert brightness(15, *sunny) == 0
    assert brightness(15, mark("aperture", "f/11"), *sunny[1:]) == 1
    assert brightness(15, *sunny, [3.0]) == -3
    assert brightness(16, *sunny, loss=0.5) == Fraction(1, 2)


def test_life_size_costs_two_stops():
    # Common practice, no source: the bellows factor (1 + m)^2 is 4 at m = 1.
    assert magnification_loss(1) == 2
    assert magnification_loss(0) == 0


def test_ev_refuses_an_aperture_of_zero():
    with pytest.raises(ValueError, match="aperture must be"):
        ev100(0, 1, 100)
