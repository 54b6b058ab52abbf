"""Marks, scales and exact values, held against published series and against what real cameras stored."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import pytest

from plans.stops import KINDS, light_of, read_scale, scale_between, scale_from_exact, series_marks

# Printed mark and exact value. To f/22: the published third-stop series; f/25 and on: common practice, no source.
THIRD_STOP_APERTURES = {
    "1": 1.0, "1.1": 1.122, "1.2": 1.260, "1.4": 1.414, "1.6": 1.587, "1.8": 1.782, "2": 2.0, "2.2": 2.245,
    "2.5": 2.520, "2.8": 2.828, "3.2": 3.175, "3.5": 3.564, "4": 4.0, "4.5": 4.490, "5": 5.040, "5.6": 5.657,
    "6.3": 6.350, "7.1": 7.127, "8": 8.0, "9": 8.980, "10": 10.079, "11": 11.314, "13": 12.699, "14": 14.254,
    "16": 16.0, "18": 17.959, "20": 20.159, "22": 22.627, "25": 25.398, "29": 28.509, "32": 32.0,
}  # fmt: skip
# Published half-stop series to f/19; f/27: common practice, no source.
HALF_STOP_APERTURES = {
    "1.2": 1.189, "1.7": 1.682, "2.4": 2.378, "3.3": 3.364, "4.8": 4.757, "6.7": 6.727, "9.5": 9.514, "13": 13.454,
    "19": 19.027, "27": 26.909,
}  # fmt: skip
# Common practice, no source.
THIRD_STOP_TIMES = {
    "30": 32, "25": 25.40, "20": 20.16, "15": 16, "13": 12.70, "10": 10.08, "8": 8, "6": 6.35, "5": 5.04, "4": 4,
    "3.2": 3.175, "2.5": 2.520, "2": 2, "1.6": 1.587, "1.3": 1.260, "1": 1, "0.8": 0.794, "0.6": 0.630, "0.5": 0.5,
    "0.4": 0.397, "0.3": 0.315, "1/4": 1 / 4, "1/5": 1 / 5.04, "1/6": 1 / 6.35, "1/8": 1 / 8, "1/10": 1 / 10.08,
    "1/13": 1 / 12.70, "1/15": 1 / 16, "1/20": 1 / 20.16, "1/25": 1 / 25.40, "1/30": 1 / 32, "1/40": 1 / 40.3,
    "1/50": 1 / 50.8, "1/60": 1 / 64, "1/80": 1 / 80.6, "1/100": 1 / 101.6, "1/125": 1 / 128, "1/160": 1 / 161.3,
    "1/200": 1 / 203.2, "1/250": 1 / 256, "1/320": 1 / 322.5, "1/400": 1 / 406.4, "1/500": 1 / 512,
    "1/640": 1 / 645.1, "1/800": 1 / 812.7, "1/1000": 1 / 1024, "1/1250": 1 / 1290, "1/1600": 1 / 1625,
    "1/2000": 1 / 2048, "1/2500": 1 / 2580, "1/3200": 1 / 3251, "1/4000": 1 / 4096, "1/5000": 1 / 5161,
    "1/6400": 1 / 6502, "1/8000": 1 / 8192,
}  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "series", "published"),
    [
        ("aperture", "thirds", THIRD_STOP_APERTURES),
        ("aperture", "halves", HALF_STOP_APERTURES),
        ("time", "thirds", THIRD_STOP_TIMES),
    ],
)
def test_a_series_has_the_published_marks_with_their_exact_values(kind, series, published):
    ours = {mark.label.removeprefix("f/"): mark.exact for mark in series_marks(kind, series)}
    for label, exact in published.items():
        assert ours[label] == pytest.approx(exact, rel=6.5e-4), label  # printed to three figures


def test_the_third_stop_times_from_30_s_to_1_8000_are_the_55_published_ones():
    scale = scale_between("time", "1/8000", "30", "thirds")
    assert [mark.label for mark in scale.marks] == list(THIRD_STOP_TIMES)[::-1]


def test_iso_goes_320_640_1250_2500_and_not_1280_or_2560():
    # D. Kerr's note on the exposure scales of cameras.
    labels = [mark.label for mark in series_marks("iso", "thirds")]
    start = labels.index("320")
    assert labels[start : start + 10 : 3] == ["320", "640", "1250", "2500"]


def test_the_same_mark_is_another_value_on_another_scale():
    thirds, halves = (scale_between("aperture", "f/8", "f/16", series) for series in ("thirds", "halves"))
    assert thirds.find("f/13").exact == pytest.approx(12.699, abs=5e-4)
    assert halves.find("f/13").exact == pytest.approx(13.454, abs=5e-4)


@pytest.mark.parametrize(
    ("series", "label", "stored_tv"),
    [
        ("thirds", "1/60", 6.0),  # a Canon T5i frame marked 1/60 stores this ShutterSpeedValue
        ("halves", "1/750", 9.5),  # a Fuji S2 Pro frame marked 1/750
    ],
)
def test_cameras_store_the_exact_value_and_not_the_mark(series, label, stored_tv):
    exact = next(mark for mark in series_marks("time", series) if mark.label == label)
    assert -math.log2(exact.exact) == pytest.approx(stored_tv, abs=1e-9)
    # Negative control: what is printed does not agree with what was stored.
    assert -math.log2(eval(label, {})) != pytest.approx(stored_tv, abs=0.05)


@pytest.mark.parametrize(
    ("kind", "labels", "series"),
    [
        ("aperture", ["f/2.8", "f/4", "f/5.6", "f/8"], "full"),
        ("aperture", ["8", "9.5", "11", "13"], "halves"),
        ("aperture", ["8", "9", "10", "11", "13"], "thirds"),
        ("time", ["bulb", "30", "25", "20", "15", "0.3s"], "thirds"),
        ("time", ["1/45", "1/60", "1/90"], "halves"),
        ("iso", ["auto", "100", "200", "400"], "full"),
        ("iso", ["100", "117", "130"], "unknown"),
        ("aperture", ["f/1.8", "f/2", "f/2.2"], "thirds"),  # f/2.2 stands for no half stop, which is f/2.4
        ("iso", ["80", "100", "200", "400"], "thirds"),  # nor ISO 80 for 70
    ],
)
def test_a_cameras_own_labels_tell_the_series(kind, labels, series):
    assert read_scale(kind, labels).series == series


def test_a_limit_written_as_a_mark_holds_that_mark():
    scale = scale_between("aperture", "f/1.8", "f/22", "thirds")
    to_22 = scale.within(None, scale.find("f/22"))
    assert to_22.marks[-1].label == "f/22"
    # Negative control: by number it would not, the exact value being 22.63.
    assert to_22.marks[-1].exact > 22


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("series", ["full", "halves", "thirds", "unknown"])
def test_a_scale_comes_back_exactly_from_nine_digits(kind, series):
    if series == "unknown":
        scale = read_scale(kind, [mark.label for mark in series_marks(kind, "thirds")[10:20]] + ["19.3"])
    else:
        labels = [mark.label for mark in series_marks(kind, series)]
        scale = scale_between(kind, labels[2], labels[-3], series)
    written = [(mark.label, float(f"{mark.exact:.9g}")) for mark in scale.marks]
    assert scale_from_exact(kind, written, scale.series) == scale


def test_a_value_off_its_series_is_refused_when_a_scale_is_read_back():
    with pytest.raises(ValueError, match=r"f/9: 9\.0 is no exact aperture"):
        scale_from_exact("aperture", [("f/8", 8.0), ("f/9", 9.0)], "thirds")


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_light_of_refuses_what_is_no_value(value):
    with pytest.raises(ValueError, match="finite number above zero"):
        light_of("time", value)


def test_positions_are_exact_fractions():
    third = series_marks("aperture", "thirds")
    assert all(isinstance(mark.light, Fraction) and (mark.light * 3).denominator == 1 for mark in third)
    assert sum(b.light - a.light for a, b in itertools.pairwise(third)) == third[-1].light - third[0].light


def test_a_scale_of_one_mark_makes_nothing_coarser():
    assert read_scale("time", ["1/125"]).step == Fraction(1, 3)
    assert read_scale("time", ["1/125", "1/60"]).step == 1  # control: two marks a stop apart do show a step
