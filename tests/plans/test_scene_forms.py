"""The scene beyond the demo's: light in five ways, facing, motion, wind, lamps, intent, the site, where pictures go.

Every case of a complaint is one change of the demo brief; ``at`` is what must stand at the line and column told.
"""

from __future__ import annotations

import json
import math
import re
from fractions import Fraction
from pathlib import Path
from typing import get_args

import pytest
from support_plans import demo

from plans.brief import ShownOn
from plans.errors import BriefError
from plans.exposure import illuminance
from plans.kit import Shutter
from plans.light import forecast
from plans.light_forms import MeterForm
from plans.reading import brief_from_tree, demo_brief_text, read_brief
from plans.scene import Near, Sky
from plans.scene_forms import SiteForm
from plans.scene_words import COMPASS, DIRECTIONS, INTENTS

DEMO = demo_brief_text()
GUIDE = (Path(__file__).parents[2] / "daemon" / "guide" / "brief.md").read_text(encoding="utf-8")
LIGHT = "light: {ev100: 13}"
HERON = "{distance: 2 m, depth: 0.2 m}"
PLACE = DEMO[DEMO.index("place:") : DEMO.index("kit:\n")]


def again(brief):
    """The brief out of its own source, as a plan holds it."""
    return brief_from_tree(json.loads(json.dumps(brief.source)))


def test_every_new_word_of_the_scene_is_read_into_the_models_unit_and_comes_back_out_of_the_source():
    brief = demo(
        shown_on="A4 print",
        scene__light={"sky": "hazy"},
        scene__facing="135 deg",
        scene__wind="10.8 km/h",
        scene__mains="50 Hz",
        scene__intent="white water",
        scene__site={"near": ["water", "coast"], "high_water": "18:40", "leave_by": "17:50", "cold": "yes"},
        scene__subjects__heron={"distance": "2 m", "height": "160 cm"},
        scene__subjects__spout={"distance": "3 m", "speed": "3 m/s", "direction": "30 deg"},
        scene__subjects__hedge={"distance": "8 m", "foliage": "yes"},
        limits={"flicker": "avoid"},
    )
    scene, subjects = brief.scene, brief.scene.subjects
    assert brief.shown_on == "A4 print"
    assert (scene.facing_deg, scene.wind_m_s, scene.mains_hz, scene.intent) == (135.0, 3.0, 50, Fraction(7, 3))
    assert (scene.site.near, scene.site.high_water, scene.site.leave_by, scene.site.cold) == (
        ("water", "coast"), "18:40", "17:50", True,
    )  # fmt: skip
    assert (subjects["heron"].height_m, subjects["spout"].direction_deg, subjects["hedge"].foliage) == (1.6, 30.0, True)
    assert (scene.light.origin, scene.light.sky, brief.limits.flicker) == ("forecast", "hazy", "avoid")
    assert again(brief) == brief
    # Negative control: the demo itself has none of them.
    plain = demo()
    assert (plain.shown_on, plain.scene.intent, plain.scene.mains_hz, plain.limits.flicker) == (None, 0, None, "name")


# The light.


def light(written, **more):
    brief = demo(scene__light=written, **more)
    assert again(brief).scene == brief.scene
    return brief.scene.light


def test_an_illuminance_is_the_ev_that_an_incident_meter_reads():
    # 81,920 lx at EV 15: the meter equation with C = 250, ISO 2720:1974 as quoted by colour-hdri.
    assert light({"illuminance": "81920 lx"}).ev100 == pytest.approx(15, abs=1e-9)
    found = light({"illuminance": "20 klx"})
    assert found.ev100 == pytest.approx(math.log2(20000 / 2.5), abs=1e-9)
    assert illuminance(found.ev100) == pytest.approx(20000)
    assert "20000 lx" in found.told
    # Negative control: with the meter's constant for a hemisphere, 330, it would be 0.4 stop less.
    assert found.ev100 != pytest.approx(math.log2(100 * 20000 / 330), abs=0.3)


def test_a_meter_s_settings_count_by_their_exact_values():
    # f/16 and 1/125 s: nominal EV 14.966, exact 15.
    found = light({"meter": {"aperture": "f/16", "time": "1/125 s", "iso": "100"}})
    assert found.ev100 == 15.0
    assert found.ev100 != pytest.approx(math.log2(16**2 * 125), abs=0.03)  # negative control: the printed values
    assert light({"meter": {"aperture": "f/5.6", "time": "1/60 s", "iso": "400"}}).ev100 == 9.0
    halves = {"from": "f/2", "to": "f/22", "step": "1/2"}
    # f/13 means 13.45 on a scale in halves, not 12.70 as on one in thirds: 1/6 stop.
    third = light({"meter": {"aperture": "f/13", "time": "1/60 s", "iso": "100"}})
    half = light({"meter": {"aperture": "f/13", "time": "1/60 s", "iso": "100"}}, kit__lens__aperture=halves,
                 goals=[{"isolate": "heron"}])  # fmt: skip
    assert half.ev100 - third.ev100 == pytest.approx(1 / 6)


def test_a_sky_is_forecast_for_place_time_and_facing_with_its_bounds():
    for sky in get_args(Sky):
        brief = demo(scene__light={"sky": sky}, scene__facing="south-west")
        found = brief.scene.light
        asked = forecast(brief.place, brief.when, sky, 225.0)
        assert (found.origin, found.sky, found.told) == ("forecast", sky, asked.text)
        assert found.ev100 == pytest.approx(asked.ev100, abs=0.005)
        assert (found.low, found.high) == (pytest.approx(asked.low, abs=0.005), pytest.approx(asked.high, abs=0.005))
    # ANSI PH2.7: back light two stops below front light. At 15:30 in October the sun stands in the south-west.
    front = light({"sky": "clear"}, scene__facing="north-east").ev100
    back = light({"sky": "clear"}, scene__facing="south-west").ev100
    assert front - back == pytest.approx(2, abs=0.2)
    # Negative control: without a direction it is for level ground, and neither of them.
    assert light({"sky": "clear"}).ev100 not in (front, back)


def test_light_asked_of_the_camera_is_called_a_guess():
    nothing = light({"ask": "camera"}, place=None, when=None)
    assert (nothing.ev100, nothing.origin, nothing.low) == (12.0, "guess", None)
    assert "guess" in nothing.told
    somewhere = light({"ask": "camera"})
    clear = light({"sky": "clear"})
    assert (somewhere.origin, somewhere.sky, somewhere.ev100) == ("guess", None, clear.ev100)
    assert somewhere.low < clear.low  # the sky is not known
    assert light({"ev100": "12"}).origin == "brief"


# Directions, intent.


def test_compass_words_run_clockwise_from_north():
    words = ("north", "north-east", "E", "SE", "south", "SW", "W", "north-west", "360 deg", "22.5 deg")
    found = [demo(scene__facing=word).scene.facing_deg for word in words]
    assert found == [0, 45, 90, 135, 180, 225, 270, 315, 0, 22.5]


def test_only_the_part_of_the_speed_that_crosses_the_view_counts():
    speeds = {
        word: demo(scene__subjects__spout={"distance": "3 m", "speed": "4 m/s", "direction": word})
        .scene.subjects["spout"]
        .across_m_s
        for word in ("across", "diagonal", "towards", "30 deg")
    }
    assert speeds["across"] == 4.0
    assert speeds["diagonal"] == pytest.approx(4 / math.sqrt(2))
    assert speeds["towards"] == 0.0
    # US Navy NAVEDTRA 14209, Table 4-2: diagonal motion wants a time one stop slower, half of the speed at 30 degrees.
    assert speeds["30 deg"] == pytest.approx(2.0)
    assert speeds["30 deg"] != pytest.approx(4 * math.cos(math.radians(30)))  # negative control
    assert demo().scene.subjects["spout"].across_m_s == 3.0


@pytest.mark.parametrize(
    ("written", "stops"),
    [("snow", Fraction(5, 3)), ("night", Fraction(-1)), ("white water", Fraction(7, 3)), ("2 1/3", Fraction(7, 3)),
     ("-1 stop", Fraction(-1)), ("0.5", Fraction(1, 2)), ("-2/3 stops", Fraction(-2, 3))],
)  # fmt: skip
def test_an_intent_is_an_exact_number_of_stops(written, stops):
    # The words: common practice, no source.
    found = demo(scene__intent=written).scene.intent
    assert isinstance(found, Fraction)
    assert found == stops


@pytest.mark.parametrize(
    ("high_water", "leave_by", "right"),
    [("16:40", "15:50", True), ("00:30", "23:30", True), ("16:40", "16:40", False), ("16:40", "17:00", False),
     ("08:00", "17:00", False)],
)  # fmt: skip
def test_one_leaves_before_high_water_over_midnight_too(high_water, leave_by, right):
    site = {"near": "coast", "high_water": high_water, "leave_by": leave_by}
    if right:
        assert demo(scene__site=site, place=None, when=None).scene.site.leave_by == leave_by
    else:
        with pytest.raises(BriefError, match="within the 12 hours before high water"):
            demo(scene__site=site, place=None, when=None)


# Complaints.

FAR = "{latitude: 52.0, longitude: 0.0"
# what, old, new, line, column, at, field, found, words that must be in what is allowed or advised
CASES = [
    ("light", LIGHT, "light: {ev100: 13, sky: clear}", 17, 22, "sky", "scene.light.sky", "sky", "ev100 stands already"),
    ("light", LIGHT, "light: {lux: 13}", 17, 11, "lux", "scene.light.lux", '"lux"', "write the light as `ev100: 13`"),
    ("light", LIGHT, "light: bright", 17, 10, "bright", "scene.light", '"bright"', "a mapping of ev100, illuminance"),
    ("illuminance", LIGHT, "light: {illuminance: 20000}", 17, 24, "20000", "scene.light.illuminance", '"20000"',
     "Add the unit: 20000 lx"),
    ("illuminance", LIGHT, "light: {illuminance: 20000 lux}", 17, 24, "20000 lux", "scene.light.illuminance",
     '"20000 lux"', "Write the unit as lx: 20000 lx"),
    ("illuminance", LIGHT, "light: {illuminance: 0 lx}", 17, 24, "0 lx", "scene.light.illuminance", '"0 lx"',
     "0.001 lx"),
    ("meter", LIGHT, "light: {meter: {aperture: f/8, time: 1/125 s}}", 17, 11, "meter", "scene.light.meter.iso",
     "nothing", "Add `iso: 800`"),
    ("meter", LIGHT, "light: {meter: {aperture: f/8, time: 1/120 s, iso: 110}}", 17, 54, "110", "scene.light.meter.iso",
     '"110"', "The nearest is 100"),
    ("meter", LIGHT, "light: {meter: {aperture: f/8.5, time: 1/125 s, iso: 100}}", 17, 29, "f/8.5",
     "scene.light.meter.aperture", '"f/8.5"', "this lens's aperture scale"),
    ("sky", LIGHT, "light: {sky: cloudy}", 17, 16, "cloudy", "scene.light.sky", '"cloudy"',
     "Did you mean cloudy bright?"),
    ("sky", LIGHT, "light: {sky: blue}", 17, 16, "blue", "scene.light.sky", '"blue"', "clear, hazy, cloudy bright"),
    ("ask", LIGHT, "light: {ask: me}", 17, 16, "me", "scene.light.ask", '"me"', "camera"),
    ("ask", LIGHT, "light: {ask: camera, ev100: 3}", 17, 24, "ev100", "scene.light.ev100", "ev100",
     "ask stands already"),
    ("facing", LIGHT, f"{LIGHT}\n  facing: 135", 18, 11, "135", "scene.facing", '"135"', "Add the unit: 135 deg"),
    ("facing", LIGHT, f"{LIGHT}\n  facing: southeast", 18, 11, "southeast", "scene.facing", '"southeast"',
     "Write south-east"),
    ("facing", LIGHT, f"{LIGHT}\n  facing: 361 deg", 18, 11, "361 deg", "scene.facing", '"361 deg"', "to 360 deg"),
    ("wind", LIGHT, f"{LIGHT}\n  wind: 3", 18, 9, "3", "scene.wind", '"3"', "Add the unit: 3 m/s"),
    ("wind", LIGHT, f"{LIGHT}\n  wind: 300 km/h", 18, 9, "300", "scene.wind", '"300 km/h"', "from 0 m/s to 60 m/s"),
    ("mains", LIGHT, f"{LIGHT}\n  mains: 50", 18, 10, "50", "scene.mains", '"50"', "Write 50 Hz"),
    ("mains", LIGHT, f"{LIGHT}\n  mains: 100 Hz", 18, 10, "100 Hz", "scene.mains", '"100 Hz"',
     "Write 50 Hz: the mains'"),
    ("mains", LIGHT, f"{LIGHT}\n  mains: 16 Hz", 18, 10, "16 Hz", "scene.mains", '"16 Hz"', "50 Hz or 60 Hz"),
    ("intent", LIGHT, f"{LIGHT}\n  intent: bright", 18, 11, "bright", "scene.intent", '"bright"', "white water"),
    ("intent", LIGHT, f"{LIGHT}\n  intent: white-water", 18, 11, "white", "scene.intent", '"white-water"',
     "Did you mean white water?"),
    ("intent", LIGHT, f"{LIGHT}\n  intent: +7", 18, 11, "+7", "scene.intent", '"+7"', "from -5 to 5"),
    ("site", LIGHT, f"{LIGHT}\n  site: {{near: sea}}", 18, 16, "sea", "scene.site.near", '"sea"',
     "water, coast, mains"),
    ("site", LIGHT, f"{LIGHT}\n  site: {{near: water and coast}}", 18, 16, "water", "scene.site.near",
     '"water and coast"', "[water, coast]"),
    ("site", LIGHT, f"{LIGHT}\n  site: {{near: [water, water]}}", 18, 24, "water", "scene.site.near[2]", '"water"',
     "each word once"),
    ("site", LIGHT, f"{LIGHT}\n  site: {{near: coast}}", 18, 3, "site", "scene.site.leave_by", "nothing",
     "Add `leave_by"),
    ("site", LIGHT, f"{LIGHT}\n  site: {{high_water: 18:40}}", 18, 3, "site", "scene.site.leave_by", "nothing",
     "beside high water at 18:40"),
    ("site", LIGHT, f"{LIGHT}\n  site: {{high_water: 4:40 pm, leave_by: 16:00}}", 18, 22, "4:40",
     "scene.site.high_water",
     '"4:40 pm"', "Write 16:40"),
    ("site", LIGHT, f"{LIGHT}\n  site: {{leave_by: 15:00}}", 18, 20, "15:00", "scene.site.leave_by", '"15:00"',
     "after when, 15:30"),
    ("site", LIGHT, f"{LIGHT}\n  site: {{cold: very}}", 18, 16, "very", "scene.site.cold", '"very"', "yes or no"),
    ("height", HERON, "{distance: 2 m, height: 1.6}", 20, 36, "1.6", "scene.subjects.heron.height", '"1.6"',
     "Add the unit: 1.6 m"),
    ("height", HERON, "{distance: 2 m, height: 0 m}", 20, 36, "0 m", "scene.subjects.heron.height", '"0 m"',
     "above 0 m"),
    ("direction", HERON, "{distance: 2 m, direction: across}", 20, 39, "across", "scene.subjects.heron.direction",
     '"across"', "Add a speed"),
    ("direction", "speed: 3 m/s", "speed: 3 m/s, direction: 120 deg", 19, 53, "120 deg",
     "scene.subjects.spout.direction", '"120 deg"', "to 90 deg"),
    ("direction", "speed: 3 m/s", "speed: 3 m/s, direction: 30", 19, 53, "30", "scene.subjects.spout.direction", '"30"',
     "Add the unit: 30 deg"),
    ("direction", "speed: 3 m/s", "speed: 3 m/s, direction: toward", 19, 53, "toward", "scene.subjects.spout.direction",
     '"toward"', "Did you mean towards?"),
    ("foliage", HERON, "{distance: 2 m, foliage: on}", 20, 37, "on", "scene.subjects.heron.foliage", '"on"',
     "Write yes"),
    ("foliage", HERON, "{distance: 2 m, foliage: leaves}", 20, 37, "leaves", "scene.subjects.heron.foliage", '"leaves"',
     "yes or no"),
    ("shown_on", "kit:\n", "shown_on: wall\nkit:\n", 5, 11, "wall", "shown_on", '"wall"', "full size, projector"),
    ("shown_on", "kit:\n", "shown_on: a4 print\nkit:\n", 5, 11, "a4", "shown_on", '"a4 print"',
     "Did you mean A4 print?"),
    ("flicker", "limits: {", "limits: {flicker: avoid, ", 30, 19, "avoid", "limits.flicker", '"avoid"',
     "Add `mains: 50 Hz`"),
    ("flicker", "limits: {", "limits: {flicker: avoided, ", 30, 19, "avoided", "limits.flicker", '"avoided"',
     "Did you mean avoid?"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "line", "column", "at", "field", "found", "says"),
    [case[1:] for case in CASES],
    ids=[f"{n}: {case[0]}" for n, case in enumerate(CASES)],
)
def test_one_mistake_gives_one_complaint_with_its_place_and_what_to_do(old, new, line, column, at, field, found, says):
    assert DEMO.count(old) >= 1
    text = DEMO.replace(old, new, 1)
    with pytest.raises(BriefError) as caught:
        read_brief(text, "fountain.yaml")
    (told,) = caught.value.complaints
    assert text.split("\n")[line - 1][column - 1 :].startswith(at)
    assert (told.line, told.column, told.field) == (line, column, field)
    assert found in told.found
    assert says in f"{told.allowed}. {told.advice}"


def test_every_word_of_the_scene_has_two_bad_inputs_and_more_here():
    words = [case[0] for case in CASES]
    assert {word for word in words if words.count(word) < 2} == set()


def complaints(text):
    with pytest.raises(BriefError) as caught:
        read_brief(text, "fountain.yaml")
    return caught.value.complaints


def test_a_sky_without_place_and_time_asks_for_them_and_says_nothing_when_they_are_only_wrong():
    sky = DEMO.replace(LIGHT, "light: {sky: clear}")
    (told,) = complaints(sky.replace(PLACE, ""))
    assert (told.field, told.line, "Add place and when at the top" in told.advice) == ("scene.light.sky", 15, True)
    (told,) = complaints(sky.replace("latitude: 52.0", "latitude: 99"))
    assert told.field == "place.latitude"
    (told,) = complaints(sky.replace("2026-10-20 15:30", "soon"))
    assert told.field == "when"


def test_the_guide_holds_every_word_of_several_parts_too():
    code = re.findall(r"`([^`\n]+)`", GUIDE.replace(DEMO, ""))
    words = [*get_args(Sky), *get_args(Shutter), *get_args(ShownOn), *get_args(Near), *DIRECTIONS, *INTENTS,
             *MeterForm.words(), *SiteForm.words(), "1/f", "1/(2f)", "50 Hz", "60 Hz", "by", "rule", "gain", "set",
             "above"]  # fmt: skip
    missing = [word for word in words if not any(re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text) for text in code)]
    assert missing == []
    assert not any("dull sky" in text for text in code)  # a word that is none
    assert all(word in GUIDE for word in list(COMPASS)[:3])


@pytest.mark.parametrize(
    ("example", "changes"),
    [
        ("{from: 24 mm, to: 70 mm, set: 50 mm}", "focal_length: 50 mm -> focal_length: @"),
        ("{above: 30 s, to: 8 min}", "name: demo body -> name: demo body\n    bulb: @"),
        ("[mechanical, electronic]", "name: demo body -> name: demo body\n    shutter: @"),
        ("{name: polariser, kind: polariser, stops: 1.3, most: 2 stops}", "{name: ND 8, stops: 3} -> @"),
        ("{by: hand, rule: 1/(2f), gain: 1 stop}", "support: tripod -> support: @"),
        ("corrections: {aperture: {f/1.8: -0.2 stops}, time: {1/8000 s: +0.1 stops}}", "support: tripod -> @"),
        ("{aperture: f/8, time: 1/125 s, iso: 100}", "{ev100: 13} -> {meter: @}"),
        ("limits: {flicker: avoid}", "limits: {iso_at_most: 6400, spread: 1/6} -> @"),
        ("{near: [water, coast], high_water: 16:40, leave_by: 15:50, cold: yes}", "scene: -> scene:\n  site: @"),
    ],
)
def test_what_the_guide_gives_as_an_example_is_read(example, changes):
    assert f"`{example}`" in GUIDE
    old, new = changes.split(" -> ")
    assert DEMO.count(f"{old}") >= 1
    text = DEMO.replace(old, new.replace("@", example), 1).replace("  light:", "  mains: 50 Hz\n  light:")
    assert read_brief(text, "fountain.yaml").source != demo().source
    with pytest.raises(BriefError):  # negative control: a letter less
        read_brief(text.replace(example, re.sub(r"[a-z]([a-z]+)", r"\1", example, count=1)), "fountain.yaml")


NASTY = ["", "[a, b]", "{a: b}", "-1", "nan", "1e999 m", "9" * 30 + " GB", "\u0661 m", "yes", "24 mm", "2 1/3", "50 Hz"]


def leaves(tree, path=()):
    """Paths of all values of a tree, mappings and lists among them."""
    inside = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in inside:
        yield (*path, key)
        yield from leaves(value, (*path, key))


def test_no_value_put_anywhere_does_more_than_give_a_brief_or_complaints():
    whole = demo(
        shown_on="projector",
        kit__body__bulb={"above": "30 s", "to": "8 min"},
        kit__body__flash_sync="1/250 s",
        kit__body__shutter=["electronic"],
        kit__body__card="64 GB",
        kit__body__frame="12 MB",
        kit__body__battery="400 frames",
        kit__lens__focal_length={"from": "24 mm", "to": "70 mm", "set": "50 mm"},
        kit__lens__widest={"24 mm": "f/1.8", "70 mm": "f/2"},
        kit__filters=[{"name": "a", "kind": "polariser", "stops": "1", "measured": "1.2", "most": "2", "stacks": "no"}],
        kit__support={"by": "hand", "rule": "1/f", "gain": "2 stops"},
        kit__corrections={"aperture": {"f/2": "0.1"}, "time": {"1 s": "0.1"}},
        scene__light={"meter": {"aperture": "f/8", "time": "1/125 s", "iso": "100"}},
        scene__facing="N",
        scene__wind="3 m/s",
        scene__mains="50 Hz",
        scene__intent="1/3",
        scene__site={"near": ["coast"], "high_water": "18:40", "leave_by": "17:50", "cold": "no"},
        scene__subjects__spout={"distance": "3 m", "speed": "3 m/s", "direction": "30 deg", "height": "1 m"},
        goals=[{"isolate": "heron"}],
    ).source
    outcomes = {True: 0, False: 0}
    new = [path for path in leaves(whole) if path[0] in ("kit", "scene", "shown_on") and path[-1] != "subjects"]
    assert len(new) > 60
    for n, path in enumerate(new):
        for value in NASTY[n % 3 :: 3]:
            tree = json.loads(json.dumps(whole))
            place = tree
            for key in path[:-1]:
                place = place[key]
            place[path[-1]] = value
            try:
                brief = brief_from_tree(tree)
            except BriefError as error:
                assert all(one.allowed and one.found for one in error.complaints)
                outcomes[False] += 1
            else:
                assert brief_from_tree(brief.source) == brief
                outcomes[True] += 1
    assert outcomes[False] > 200 and outcomes[True] > 5, outcomes
