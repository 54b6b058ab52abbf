"""What support, corrections and intent make of the settings that can be had."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import pytest
from support_plans import demo

from plans.compiler import compile_brief
from plans.goals.situation import Situation
from plans.metering import metering_step
from plans.stops import scale_between

APSC = {"width": "23.5 mm", "height": "15.6 mm", "pixels": ["6000", "4000"]}
ISOLATE = [{"isolate": "heron"}]


def situation(**changes):
    brief = demo(**changes)
    kit = brief.kit
    scales = {"aperture": kit.lens.aperture, "time": kit.body.time, "iso": kit.body.iso}
    return Situation(kit, brief.scene, brief.limits, brief.scene.light.ev100, scales, brief.shown_on)


def longest(**changes):
    return situation(**changes).scale("time").marks[-1].label


# Without a tripod. All rules: common practice, no source.


@pytest.mark.parametrize(
    ("focal", "sensor", "support", "mark"),
    [
        # "125 mm: 1/125", Minolta X-700 manual, p. 44. On a crop of 1.534: 50 mm as 77 mm.
        ("125 mm", None, "hand", "1/125"),
        ("50 mm", None, "hand", "1/50"),
        ("50 mm", APSC, "hand", "1/80"),
        ("50 mm", None, {"by": "hand", "rule": "1/(2f)"}, "1/100"),
        ("50 mm", None, "monopod", "1/13"),
        ("50 mm", None, {"by": "monopod", "rule": "1/(2f)"}, "1/25"),
    ],
)
def test_without_a_tripod_the_times_end_at_what_is_commonly_kept_still(focal, sensor, support, mark):
    body = {"kit__body__sensor": sensor} if sensor else {}
    changes = {"kit__lens__focal_length": focal, **body}
    assert longest(**changes, kit__support=support) == mark
    assert longest(**changes) == "30"  # negative control: on the tripod nothing ends them


def test_on_a_scale_in_full_stops_the_next_faster_mark_is_taken():
    # "300 mm: 1/500", the next faster speed: Minolta X-700 manual, p. 44.
    full = {"from": "1/4000 s", "to": "30 s", "step": "1"}
    changes = {"kit__body__time": full, "kit__support": "hand", "goals": ISOLATE}
    assert longest(**changes, kit__lens__focal_length="300 mm") == "1/500"
    assert longest(**changes, kit__lens__focal_length="125 mm") == "1/125"


def test_texts_that_name_the_end_of_such_a_scale_call_it_a_limit():
    assert situation(kit__support="hand").end_words("time") == "1/50 s (your hand-held limit)"
    assert situation(kit__support="monopod").end_words("time") == "1/13 s (your limit on the monopod)"
    assert situation().end_words("time") == "30 s"
    assert situation().end_words("iso") == "ISO 6400 (your limit)"
    assert situation(kit__support="hand").on_tripod().end_words("time") == "30 s"
    assert situation(kit__support="hand").start_words("time") == "1/8000 s"


def test_plans_by_hand_hold_no_longer_time_and_say_which_goals_that_costs():
    by_hand = compile_brief(demo(kit__support="hand"))
    tripod = compile_brief(demo())
    most = max(step.settings.time.exact for step in by_hand.steps if step.kind in ("expose", "control"))
    assert most <= 1 / 50
    assert max(step.settings.time.exact for step in tripod.exposing) > 1 / 50  # negative control
    assert len(by_hand.unreachable) > len(tripod.unreachable) == 0


def test_a_scale_with_no_time_short_enough_keeps_its_shortest_and_says_so():
    slow = {"from": "1/15 s", "to": "1 s", "step": "1/3"}
    one = situation(kit__support="hand", kit__body__time=slow, goals=ISOLATE)
    assert [mark.label for mark in one.scale("time").marks] == ["1/15"]
    (note,) = one.notes()
    assert note.startswith("Even 1/15 s, the shortest time on the scale, is longer than the 1/50 s commonly kept still")
    assert situation(kit__support="hand").notes() == ()


def test_a_longer_focal_length_shortens_the_times_and_a_zoom_brings_its_apertures():
    zoom = {"from": "24 mm", "to": "100 mm", "set": "24 mm"}
    changes = {"kit__lens__focal_length": zoom, "kit__lens__widest": {"24 mm": "f/2.8", "100 mm": "f/5.6"}}
    wide = situation(kit__support="hand", **changes)
    long = wide.with_focal_length(100.0)
    assert (wide.scale("aperture").marks[0].label, long.scale("aperture").marks[0].label) == ("f/2.8", "f/5.6")
    assert (wide.scale("time").marks[-1].label, long.scale("time").marks[-1].label) == ("1/25", "1/100")
    assert wide.with_focal_length(24.0) == wide
    kept = wide.marks("time", wide.still(100.0))
    assert kept == long.scale("time").marks and len(kept) < len(wide.scale("time").marks)
    assert wide.still(24.0).all() and wide.on_tripod().still(100.0).all()
    plain = situation().with_focal_length(100.0)
    assert plain.scale("aperture") == situation().scale("aperture")


# Corrections.

CORRECTED = {"kit__corrections": {"aperture": {"f/1.8": "-0.2 stops"}, "time": {"1/8000 s": "+0.1 stops"}}}


def by_hand_brightness(step, measured=0.0, ev100=13.0, distance=2.0):
    """Stops over the metered brightness, with plain logarithms of what the plan says is set."""
    s = step.settings
    loss = 2 * math.log2(distance * 1000 / (distance * 1000 - 50))  # 1 + m = s / (s - f)
    taken = sum(item.stops for item in s.filters) + loss
    return ev100 - math.log2(s.aperture.exact**2 / s.time.exact) + math.log2(s.iso.exact / 100) - taken + measured


def test_a_measured_lens_and_shutter_count_in_the_brightness_to_the_exact_stop():
    s = situation(**CORRECTED)
    wide, stopped = s.scale("aperture").find("f/1.8"), s.scale("aperture").find("f/8")
    fast, slow = s.scale("time").find("1/8000"), s.scale("time").find("1/125")
    iso = s.scale("iso").find("100")
    # f/1.8 is 5/3 stops below f/1, 1/8000 s thirteen below 1 s.
    assert s.brightness(wide, fast, iso) == Fraction(13) - Fraction(5, 3) - 13 + Fraction(-0.2) + Fraction(0.1)
    assert s.brightness(stopped, slow, iso, (3.0,), 0.5) == Fraction(13) - 6 - 7 - 3 - Fraction(1, 2)
    assert situation().brightness(wide, fast, iso) == Fraction(-5, 3)  # negative control


def test_plans_make_up_for_a_lens_that_is_darker_than_its_mark():
    as_marked = {"kit__lens__aperture": {"marks": ["f/2.2", "f/2.5"]}, "goals": ISOLATE, "kit__filters": None}
    darker = {**as_marked, "kit__corrections": {"aperture": {"f/2.2": "-0.3 stops", "f/2.5": "-0.3 stops"}}}
    plain, made_up = compile_brief(demo(**as_marked)).exposing[0], compile_brief(demo(**darker)).exposing[0]
    assert plain.offset == pytest.approx(by_hand_brightness(plain), abs=1e-6)
    assert made_up.offset == pytest.approx(by_hand_brightness(made_up, measured=-0.3), abs=1e-6)
    assert abs(made_up.offset) <= 1 / 6 + 1e-9
    # Negative control: the settings for the lens as marked would miss by more.
    assert abs(by_hand_brightness(plain, measured=-0.3)) > 1 / 6


# Intent.


@pytest.mark.parametrize(("intent", "stops"), [("snow", 5 / 3), ("night", -1), ("1/3", 1 / 3)])
def test_pictures_come_out_brighter_than_metered_by_the_intent(intent, stops):
    for step in compile_brief(demo(scene__intent=intent, goals=ISOLATE)).exposing:
        assert by_hand_brightness(step) == pytest.approx(stops, abs=1 / 6 + 1e-9)
        assert step.intended_offset == pytest.approx(stops)
        assert step.offset == pytest.approx(by_hand_brightness(step) - stops, abs=1e-6)
    for step in compile_brief(demo(goals=ISOLATE)).exposing:  # negative control
        assert by_hand_brightness(step) == pytest.approx(0, abs=1 / 6 + 1e-9)


def test_the_metering_frame_meters_whatever_is_intended():
    plain, bright = situation(), situation(scene__intent="white water")
    # White lies 2 1/3 above mid grey in a picture that is right for the scene's light; a meter held on it tells itself.
    assert (bright.ev100, bright.ground.ev100) == (13.0, 13.0)
    assert replace(bright, spot=True).ground.ev100 == pytest.approx(13 - 7 / 3)
    assert situation(scene__intent="snow").ground.ev100 == pytest.approx(13 - 5 / 3)
    focus = plain.focus_on("heron")
    assert metering_step(bright, "01", focus, ()) == metering_step(plain, "01", focus, ())
    assert "2 1/3 stops above mid grey" in bright.notes()[0]
    assert (
        "brightest tenth" in bright.notes()[0] and "brightest tenth" not in situation(scene__intent="snow").notes()[0]
    )


def test_the_metering_frame_counts_what_was_measured_and_waits_for_no_bulb():
    focus = situation().focus_on("heron")
    only = {"kit__lens__aperture": {"marks": ["f/8", "f/11"]}, "goals": ISOLATE}
    dim = {**only, "kit__corrections": {"aperture": {"f/8": "-1/2", "f/11": "-1/2"}}}
    times = [metering_step(situation(**one), "01", focus, ()).settings.time.exact for one in (only, dim)]
    assert math.log2(times[1] / times[0]) == pytest.approx(1 / 2, abs=1 / 6 + 1e-9)
    night = {"scene__light__ev100": "-5", "kit__body__bulb": "1 h", "goals": ISOLATE}
    assert metering_step(situation(**night), "01", focus, ()).settings.time.exact <= 32
    assert situation(**night).scale("time").marks[-1].exact > 3600 > 32


def test_a_guessed_light_is_called_one_at_the_metering_frame():
    focus = situation().focus_on("heron")
    guessed = situation(scene__light={"ask": "camera"}, place=None, when=None)
    assert metering_step(guessed, "01", focus, ()).text.endswith("The light is not known yet; a guess is EV 12.")
    assert "guess" not in metering_step(guessed.with_light(9.0), "01", focus, ()).text
    assert metering_step(situation(), "01", focus, ()).text.endswith("The light is expected at EV 13.")
    assert "Nothing is known of the light yet" in guessed.notes()[0]
    assert guessed.with_light(9.0).notes() == ()


def test_a_forecast_is_told_with_its_bounds_until_the_light_is_metered():
    forecast = situation(scene__light={"sky": "clear"}, scene__facing="south")
    (note,) = forecast.notes()
    light = forecast.scene.light
    assert f"{light.low:.1f} to {light.high:.1f}" in note and "The metering frame decides" in note
    assert forecast.with_light(11.0).notes() == ()


def test_the_demo_s_own_situation_has_no_notes_and_its_whole_scales():
    s = situation(limits={"spread": "1/6"})
    assert s.notes() == ()
    assert s.scale("time") == scale_between("time", "1/8000", "30", "thirds")
    assert s.ground.ev100 == 13.0
    assert s.hand_held_s is None


def test_white_water_by_a_meter_on_it_and_by_the_light_of_the_scene_comes_to_the_same_picture():
    # f/8, 1/125 s and ISO 100 are EV 13 (APEX); held on white, a meter says 2 1/3 stops more than that of the scene.
    goal = [{"freeze": "spout"}]
    (scene,) = compile_brief(demo(goals=goal, scene__intent="white water", scene__light={"ev100": "13"})).exposing
    reading = {"meter": {"aperture": "f/8", "time": "1/640", "iso": "100"}}
    (spot,) = compile_brief(demo(goals=goal, scene__intent="white water", scene__light=reading)).exposing
    assert spot.settings == scene.settings and spot.intended_offset == pytest.approx(7 / 3)
    assert scene.intended_offset == 0
    (plain,) = compile_brief(demo(goals=goal, scene__light={"ev100": "13"})).exposing
    (over,) = compile_brief(demo(goals=goal, scene__intent="2", scene__light={"ev100": "13"})).exposing
    assert plain.settings == scene.settings == over.settings
    (snow,) = compile_brief(demo(goals=goal, scene__intent="snow", scene__light={"ev100": "13"})).exposing
    assert snow.settings != scene.settings  # negative control
