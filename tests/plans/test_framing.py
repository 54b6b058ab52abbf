"""What fits the frame, how large pictures are looked at, and leaves in the wind."""

from __future__ import annotations

import math

import pytest
from support_plans import demo

from plans import foliage, framing
from plans.goals.situation import Situation
from plans.kit import Sensor

FULL = Sensor(width_mm=36.0, height_mm=24.0, pixels=(6000, 4000))


def situation(shown_on=None, **changes):
    brief = demo(**changes)
    kit = brief.kit
    scales = {"aperture": kit.lens.aperture, "time": kit.body.time, "iso": kit.body.iso}
    return Situation(kit, brief.scene, brief.limits, brief.scene.light.ev100, scales, shown_on)


def heron(**more):
    return {"scene__subjects__heron": {"distance": "2 m", **more}}


# Does it fit?


def test_how_much_of_the_frame_a_thing_fills_follows_from_similar_triangles():
    # Behind the lens of 50 mm, focused at 2 m, the sensor stands 1/(1/50 - 1/2000) = 51.28 mm away.
    behind = 1 / (1 / 50 - 1 / 2000)
    image = 700 * behind / 2000
    assert framing.image_share(50 / 1950, 0.7, 24.0) == pytest.approx(image / 24)
    # Negative control: with the focal length in place of that distance it is 2.5 % less.
    assert framing.image_share(50 / 1950, 0.7, 24.0) != pytest.approx(700 * 50 / 2000 / 24, rel=0.02)


@pytest.mark.parametrize(("focal", "height", "frame"), [(50, 1.6, 24), (85, 0.4, 15.6), (24, 10, 36)])
def test_at_the_nearest_distance_and_at_the_longest_focal_length_a_thing_just_fills_the_frame(focal, height, frame):
    nearest = framing.nearest_that_fits_m(focal, height, frame)
    assert framing.image_share(focal / (nearest * 1000 - focal), height, frame) == pytest.approx(1)
    longest = framing.longest_that_fits_mm(nearest, height, frame)
    assert longest == pytest.approx(focal)
    assert framing.image_share(longest / (nearest * 990 - longest), height, frame) > 1  # negative control: 1 % nearer


def test_a_subject_that_does_not_fit_is_told_with_what_would_help():
    note, again = situation(**heron(height="1.6 m")).notes()
    assert "compile again" in again
    # By hand: 1600 x 50/1950 = 41.03 mm of 24 mm; it fits from 50 (1 + 1600/24) = 3383.3 mm on, or up to 29.56 mm.
    assert "The heron, 1.6 m high, does not fit the frame: it would take 171 % of its height" in note
    assert "Stand 3.39 m away or take a focal length of 29 mm or less." in note
    assert "upright" not in note  # 41 mm is more than the 35.9 mm of the long side too
    note, _ = situation(**heron(height="1.2 m")).notes()
    assert "turn the camera upright" in note  # 30.8 mm
    zoom = {"kit__lens__focal_length": {"from": "24 mm", "to": "70 mm", "set": "50 mm"}}
    note, _ = situation(**zoom, **heron(height="1.6 m")).notes()
    assert "zoom to 29 mm or less" in note


def test_a_subject_that_fits_is_told_with_its_share_and_one_without_a_height_not_at_all():
    (note,) = situation(**heron(height="0.5 m")).notes()
    assert note == "The heron, 0.5 m high, fills 53 % of the frame's height."  # 12.82 mm of 24
    assert situation(**heron()).notes() == ()


# Where the pictures are looked at.


@pytest.mark.parametrize(
    ("shown_on", "coc"),
    # Common practice, no source. By hand: 2 x 36/6000; 1.5 x 36/1920; 36 x 0.2/297 [mm].
    [("full size", 0.012), ("projector", 0.028125), ("A4 print", 0.024242)],
)
def test_the_circle_of_confusion_follows_where_pictures_are_looked_at(shown_on, coc):
    assert framing.coc_mm(FULL, shown_on) == pytest.approx(coc, rel=1e-4)
    assert framing.coc_mm(FULL, None) == FULL.coc_mm != pytest.approx(coc, rel=0.05)
    # The same disc in the print: a sensor half as wide has a circle half as wide, whatever its pixels.
    half = Sensor(width_mm=18.0, height_mm=12.0, pixels=(6000, 4000))
    assert framing.coc_mm(half, shown_on) == pytest.approx(coc / 2, rel=1e-4)
    fine = Sensor(width_mm=36.0, height_mm=24.0, pixels=(12000, 8000))
    assert (framing.coc_mm(fine, shown_on) < framing.coc_mm(FULL, shown_on)) == (shown_on == "full size")


def test_goals_are_held_against_that_circle_and_the_plan_says_so():
    shown = situation("full size")
    assert shown.coc_mm == pytest.approx(2 * 35.9 / 6000)
    assert "full size on a screen" in shown.notes()[0] and "0.012 mm" in shown.notes()[0]
    near = [one.ground.scale("time") for one in (shown, situation())]
    assert near[0] == near[1]  # what can be set does not hang on it
    assert situation().notes() == ()


# Leaves.


def test_leaves_smear_by_a_quarter_of_the_wind_and_never_farther_than_they_swing():
    blown = {"scene__wind": "4 m/s", "scene__subjects__hedge": {"distance": "8 m", "foliage": "yes"}}
    leaves = situation(**blown)
    hedge = leaves.subject("hedge")
    # An assumption, no source: tips at 1 m/s. Focused at 8 m, 50 mm image at 50/7950.
    assert leaves.across_m_s(hedge) == pytest.approx(1.0)
    assert leaves.smear_mm(hedge, 8.0, 1 / 100) == pytest.approx(1000 / 100 * 50 / 7950)
    assert leaves.smear_mm(hedge, 8.0, 1.0) == leaves.smear_mm(hedge, 8.0, 30.0) == pytest.approx(100 * 50 / 7950)
    # Negative controls: the wind alone, and foliage alone, move nothing.
    assert situation(scene__wind="4 m/s").across_m_s(demo().scene.subjects["hedge"]) == 0.0
    still = situation(scene__subjects__hedge={"distance": "8 m", "foliage": "yes"})
    assert (still.across_m_s(still.subject("hedge")), still.notes()) == (0.0, ())


def test_from_the_time_that_is_told_leaves_blur():
    blown = {"scene__wind": "4 m/s", "scene__subjects__hedge": {"distance": "8 m", "foliage": "yes"}}
    leaves = situation(**blown)
    longest = foliage.longest_still_s(50 / 7950, 4.0, leaves.coc_mm)
    assert leaves.smear_mm(leaves.subject("hedge"), 8.0, longest) == pytest.approx(leaves.coc_mm)
    assert longest == pytest.approx(0.029942 / (1000 * 50 / 7950), rel=1e-4)
    (note,) = leaves.notes()
    assert "In a wind of 4 m/s the leaves of the hedge blur from 1/210 s on" in note and "no source" in note
    far = situation(scene__wind="4 m/s", scene__subjects__hedge={"distance": "300 m", "foliage": "yes"})
    assert math.isinf(foliage.longest_still_s(50 / 299950, 4.0, far.coc_mm))
    assert "stay sharp at any time" in far.notes()[0]


def test_a_picture_s_prediction_holds_the_leaves_and_only_the_motion_across():
    from plans.plan import Focus, MarkValue, Settings

    def seen(**changes):
        one = situation(**changes)
        settings = Settings(
            aperture=MarkValue(mark="f/8", exact=8.0),
            time=MarkValue(mark="1/125", exact=1 / 128),
            iso=MarkValue(mark="100", exact=100.0),
            focus=Focus(subject="spout", distance_m=3.0),
        )
        return one.predict(settings).smear_mm

    def spout(direction):
        return {"scene__subjects__spout": {"distance": "3 m", "speed": "3 m/s", "direction": direction}}

    plain = seen()
    assert set(plain) == {"spout"}
    assert seen(**spout("30 deg"))["spout"] == pytest.approx(plain["spout"] / 2)
    assert seen(**spout("towards")) == {}
    leaves = seen(scene__wind="4 m/s", scene__subjects__hedge={"distance": "8 m", "foliage": "yes"})
    # Focused at 3 m: the sensor stands 50 x 3000/2950 mm behind the lens.
    assert leaves["hedge"] == pytest.approx(1000 / 128 * (50 * 3000 / 2950) / 8000)
    assert leaves["spout"] == plain["spout"]


def test_what_comes_straight_on_is_said_not_to_smear():
    straight = {"distance": "3 m", "speed": "3 m/s", "direction": "towards"}
    (note,) = situation(scene__subjects__spout=straight).notes()
    assert "does not smear sideways" in note
    assert situation(scene__subjects__spout=straight | {"direction": "1 deg"}).notes() == ()
