"""Motion against published tables and the trade's own figures that `test_motion.py` does not hold us to.

There: the US Navy's Table 4-2 across the view and its law of proportion, the Journalist manual's car, free fall from
1 to 5 m, the Minolta manual's hand-held times, and the floor for silk.
"""

from __future__ import annotations

import math

import pytest
from support_plans import demo

from plans.compiler import compile_brief
from plans.motion import longest_hand_held_s, smear_mm, time_for_smear_s
from plans.optics import magnification
from plans.stops import series_marks

MPH, FOOT = 0.44704, 0.3048
COC, FRAME_HEIGHT = 0.03, 24.0  # [mm] full frame
EARTH_TURNS = 7.2921e-5  # [rad/s], 15.041 arc seconds a second


def exact(label):
    return next(mark.exact for mark in series_marks("time", "thirds") if mark.label == label)


# Motion that is not straight across.


@pytest.mark.parametrize(("stops_slower", "angle_deg"), [(1, 30.0), (2, 14.4775)])
@pytest.mark.parametrize(("mph", "feet", "denominator"), [(5, 25, 250), (10, 50, 250), (25, 100, 250)])
def test_the_navys_allowance_for_slanting_motion_is_a_sine(mph, feet, denominator, stops_slower, angle_deg):
    # US Navy NAVEDTRA 14209, Table 4-2: diagonal motion one stop slower than across, motion towards the camera two.
    # sin 30 degrees is a half, sin 14.48 a quarter: there the slower time smears as much as across. (A path straight
    # towards the camera does not smear at all; the table stays on the safe side.)
    m, speed = magnification(50, feet * FOOT), mph * MPH
    across = smear_mm(m, speed, 1 / denominator)
    slanting = smear_mm(m, speed, 2**stops_slower / denominator, angle_deg)
    assert slanting == pytest.approx(across, rel=1e-5)
    # Negative control: the angle counted from the other side, a cosine, fails.
    assert smear_mm(m, speed, 2**stops_slower / denominator, 90 - angle_deg) != pytest.approx(across, rel=0.1)


# Water.


def test_water_fallen_ten_metres_needs_the_derived_time():
    # Free fall from sqrt(2 g h); derived to hold 0.03 mm with 50 mm at 5 m. 1, 2 and 5 m are in test_motion.py.
    speed = math.sqrt(2 * 9.80665 * 10)
    assert speed == pytest.approx(14.00, abs=5e-3)
    assert 1 / time_for_smear_s(magnification(50, 5), speed, COC) == pytest.approx(4720, rel=5e-3)
    # Negative control: without the root, or without the 2.
    assert math.sqrt(9.80665 * 10) != pytest.approx(14.00, abs=5e-3)


# Published pictures of water with their times (articles on photographing falls and streams). Speeds and distances are
# not told: here 3 m/s at 3 m with 50 mm, within the 0.3 to 3 m/s of streams (from memory); the one at 18 mm is told.
CRISP = [(1 / 1600, 50), (1 / 1250, 50), (1 / 500, 50), (1 / 400, 50), (1 / 80, 18)]
SILKY = [1 / 8, 1 / 6, 1 / 4, 0.3, 1.0]


def share_of_frame(time_s, focal_mm=50, distance_m=3.0):
    return smear_mm(magnification(focal_mm, distance_m), 3.0, time_s) / FRAME_HEIGHT


def test_what_photographers_call_crisp_and_what_they_call_silky_lie_far_apart_by_our_smear():
    crisp, silky = [share_of_frame(t, f) for t, f in CRISP], [share_of_frame(t) for t in SILKY]
    slightly = share_of_frame(1 / 15)  # "slightly silky"
    assert max(crisp) < 0.01 < slightly < 0.25 <= min(silky)
    # Negative control: with the focal length left out, 1/80 s at 18 mm would pass for anything but crisp.
    assert share_of_frame(1 / 80) > 0.01


def frozen(distance, time="1/8000 s"):
    """Whether the planner takes that time, and no other, to freeze water of 3 m/s at a distance with 50 mm."""
    brief = demo(
        kit__body__time={"from": time, "to": time, "step": "1/3"},
        scene__light__ev100="15",
        scene__subjects={"spout": {"distance": distance, "speed": "3 m/s"}},
        goals=[{"freeze": "spout"}],
    )
    plan = compile_brief(brief)
    assert {step.settings.time.mark for step in plan.exposing} <= {time.removesuffix(" s")}
    return not plan.unreachable


def test_1_8000_s_freezes_water_of_3_m_s_from_2_m_on_with_50_mm():
    # Common practice, no source.
    assert all(frozen(distance) for distance in ("2 m", "3 m", "5 m", "12 m", "100 m"))
    # Negative controls: so near that it smears after all, and a time too long for 2 m.
    assert not frozen("0.6 m")
    assert not frozen("2 m", "1/1000 s")


def test_at_about_a_thirteenth_of_a_second_the_same_water_flows():
    # Common practice, no source: a tenth of the frame's height already flows. That is 1/13 s at 5 m, and more nearer.
    assert share_of_frame(exact("1/13"), distance_m=5) == pytest.approx(0.10, abs=2e-3)
    assert share_of_frame(exact("1/13"), distance_m=2) > share_of_frame(exact("1/13"), distance_m=3) > 0.10
    # Negative control: the printed 1/13 misses that bar, and 1/125 s is nowhere near.
    assert share_of_frame(1 / 13, distance_m=5) < 0.098
    assert share_of_frame(exact("1/125"), distance_m=5) < 0.02


# By hand.


@pytest.mark.parametrize(("focal_mm", "crop"), [(50, 1.0), (125, 1.0), (50, 1.534), (300, 1.999)])
def test_the_hand_held_limit_is_one_over_the_focal_length_and_cautiously_half_of_that(focal_mm, crop):
    # Common practice, no source: 1/f, cautiously 1/(2 f), f as on full frame.
    assert longest_hand_held_s(focal_mm, crop) == pytest.approx(1 / (focal_mm * crop))
    cautious = longest_hand_held_s(focal_mm, crop, cautious=True)
    assert cautious == pytest.approx(1 / (2 * focal_mm * crop))
    # Negative control: the usual rule fails the cautious one's bar, and the crop is not left out.
    assert longest_hand_held_s(focal_mm, crop) != pytest.approx(cautious, rel=0.4)
    assert crop == 1 or cautious != pytest.approx(1 / (2 * focal_mm), rel=0.1)


# Stars, as something that moves very far away: speed = turning rate x distance.

FAR_M = 1e7


def star_trail_mm(focal_mm, time_s, declination_deg=0.0):
    speed = EARTH_TURNS * math.cos(math.radians(declination_deg)) * FAR_M
    return smear_mm(magnification(focal_mm, FAR_M), speed, time_s)


def test_the_rule_of_500_leaves_the_derived_trail():
    # 500 / f seconds: common practice, no source. Derived: it implies 0.0365 mm, 6.1 pixels of 5.97 microns.
    for focal in (24, 50, 135):
        assert star_trail_mm(focal, 500 / focal) == pytest.approx(0.0365, abs=5e-5)
    assert star_trail_mm(50, 10) / 5.97e-3 == pytest.approx(6.1, abs=0.05)
    # I. Morison, for 50 mm: 10 s; at a declination of 60 degrees twice that.
    assert star_trail_mm(50, 20, 60) == pytest.approx(star_trail_mm(50, 10))
    # Negative control: the sine of the declination.
    assert star_trail_mm(50, 20, 30) != pytest.approx(star_trail_mm(50, 10), rel=0.1)


def test_a_star_crosses_a_pixel_in_the_derived_time():
    # Derived: 24 mm, declination 0, 5.97 microns: 3.41 s.
    found = time_for_smear_s(magnification(24, FAR_M), EARTH_TURNS * FAR_M, 5.97e-3)
    assert found == pytest.approx(3.41, abs=5e-3)
    # Negative control: with a turn of 24 hours in place of the stars' 23 h 56 min.
    by_the_sun = time_for_smear_s(magnification(24, FAR_M), 2 * math.pi / 86400 * FAR_M, 5.97e-3)
    assert by_the_sun != pytest.approx(3.41, abs=5e-3)
