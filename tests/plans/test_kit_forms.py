"""The kit beyond the demo's: bulb, zoom, filters as measured, support, corrections. What is read, and what is refused.

Every case of a complaint is one change of the demo brief; ``at`` is what must stand at the line and column told.
"""

from __future__ import annotations

import json
import math
from fractions import Fraction

import pytest
from support_plans import demo

from plans.bulb import with_bulb
from plans.errors import BriefError
from plans.reading import brief_from_tree, demo_brief_text, read_brief
from plans.stops import read_scale, scale_between

DEMO = demo_brief_text()
TIME = "time: {from: 1/8000 s, to: 30 s, step: 1/3}"
ZOOM = {"from": "24 mm", "to": "70 mm", "set": "50 mm"}
WIDEST = {"24 mm": "f/3.5", "50 mm": "f/4.5", "70 mm": "f/5.6"}
ISOLATE = [{"isolate": "heron"}]


def labels(scale):
    return [mark.label for mark in scale.marks]


def again(brief):
    """The brief out of its own source, as a plan holds it."""
    return brief_from_tree(json.loads(json.dumps(brief.source)))


ALL = {
    "kit__body__bulb": "8 min",
    "kit__body__flash_sync": "1/250 s",
    "kit__body__shutter": ["mechanical", "first curtain"],
    "kit__body__card": "64 GB",
    "kit__body__frame": "12 MB",
    "kit__body__battery": "400 frames",
    "kit__lens__focal_length": ZOOM,
    "kit__lens__widest": WIDEST,
    "kit__filters": [
        {"name": "ND 64", "stops": "6", "measured": "6.3 stops", "stacks": "no", "cast": "slightly warm"},
        {"name": "glass", "kind": "polariser", "stops": "1.3", "most": "2"},
    ],
    "kit__support": {"by": "hand", "rule": "1/(2f)"},
    "kit__corrections": {"aperture": {"f/3.5": "-0.2 stops"}, "time": {"1/8000 s": "+0.1 stops"}},
    "goals": ISOLATE,
}


def test_every_new_word_of_the_kit_is_read_into_the_models_unit_and_comes_back_out_of_the_source():
    brief = demo(**ALL)
    body, lens, filters = brief.kit.body, brief.kit.lens, brief.kit.filters
    assert (body.bulb_above_s, body.flash_sync_s) == (32.0, 1 / 256)
    assert body.shutters == ("mechanical", "first curtain")
    assert (body.card_mb, body.frame_mb, body.battery_frames) == (64000.0, 12.0, 400)
    assert (lens.focal_length_mm, lens.zoom.shortest_mm, lens.zoom.longest_mm) == (50.0, 24.0, 70.0)
    assert (filters[0].stops, filters[0].stacks, filters[0].cast) == (6.3, False, "slightly warm")
    assert (filters[1].kind, filters[1].stops, filters[1].most_stops) == ("polariser", 1.3, 2.0)
    assert (brief.kit.support, brief.kit.cautious) == ("hand", True)
    assert brief.kit.corrections.aperture == {"f/3.5": -0.2}
    assert brief.kit.corrections.time == {"1/8000": 0.1}
    assert again(brief) == brief
    # Negative control: the demo itself has none of them.
    plain = demo().kit
    assert (plain.body.bulb_above_s, plain.body.shutters, plain.lens.zoom, plain.cautious) == (None, (), None, False)


@pytest.mark.parametrize(
    ("change", "other"),
    [
        ({"kit__body__bulb": "8 min"}, {"kit__body__bulb": {"to": "480 s"}}),
        ({"kit__body__bulb": "8 min"}, {"kit__body__bulb": {"above": "30 s", "to": "8 min"}}),
        ({"kit__body__shutter": "electronic"}, {"kit__body__shutter": ["electronic"]}),
        ({"kit__body__card": "64 GB"}, {"kit__body__card": "64000 MB"}),
        ({"kit__body__battery": "400 frames"}, {"kit__body__battery": "400"}),
        ({"kit__support": "hand"}, {"kit__support": {"by": "hand", "rule": "1/f"}}),
        ({"kit__filters": [{"name": "a", "stops": "6"}]}, {"kit__filters": [{"name": "a", "stops": "6.0 stops"}]}),
        (
            {"kit__corrections": {"aperture": {"f/1.8": "-1/6"}}},
            {"kit__corrections": {"aperture": {"1.8": "-1/6 stop"}}},
        ),
    ],
)
def test_another_way_to_write_the_same_gives_the_same_kit(change, other):
    assert demo(**change).kit == demo(**other).kit != demo().kit


# Bulb.


@pytest.mark.parametrize(
    ("step", "to", "shown"),
    [
        ("1/3", "4 min", ["30", "40", "50", "60", "80", "100", "120", "160", "200", "240"]),
        ("1/2", "4 min", ["30", "45", "60", "90", "120", "180", "240"]),
        ("1", "1 h", ["30", "60", "120", "240", "480", "900", "1800", "3600"]),
    ],
)
def test_bulb_goes_on_by_the_step_of_the_scale_with_times_that_double_exactly(step, to, shown):
    time = demo(kit__body__time={"from": "1/8000 s", "to": "30 s", "step": step}, kit__body__bulb=to,
                goals=ISOLATE).kit.body.time  # fmt: skip
    start = labels(time).index("30")
    assert labels(time)[start:] == shown
    # 30 s is 32 s (a camera's nominal 30 s runs "something over 32 s", T. Hogan): from there on by the step, by hand.
    for n, mark in enumerate(time.marks[start:]):
        assert mark.exact == pytest.approx(32 * 2 ** (n * Fraction(step)), rel=1e-12)
    # No label is farther from its time than 15 minutes, as printed, from 1024 s: 0.19 stop.
    assert max(abs(math.log2(float(m.label) / m.exact)) for m in time.marks[start:]) < 0.19
    # Negative control: the printed seconds do not double exactly.
    assert float(shown[1]) / 30 != pytest.approx(2 ** Fraction(step), rel=0.02) or step == "1"


def test_a_goal_may_name_a_time_of_bulb_in_seconds_or_minutes():
    ladder = {"change": "time", "by": "1", "balance": "iso", "focus": "heron", "from": "1 s", "to": "4 min"}
    goal = demo(kit__body__bulb="8 min", goals=[{"ladder": ladder}]).goals[0]
    assert goal.last == "4 min"
    assert demo(kit__body__bulb="8 min", goals=[{"ladder": ladder | {"to": "240 s"}}]).goals[0].last == "240 s"
    with pytest.raises(BriefError, match="The nearest is 30"):
        demo(goals=[{"ladder": ladder}])


def test_a_camera_s_own_scale_is_carried_on_once_and_the_same_again_out_of_a_plan():
    offered = {"time": read_scale("time", ["1/4000", "1/1000", "1/250", "1/60", "1/15", "1/4", "1", "4", "15", "30"])}
    fine = {"time": scale_between("time", "1/4000", "30", "thirds")}
    text = DEMO.replace(TIME, "time: camera\n    bulb: 2 min")
    for scales in (fine, {"time": scale_between("time", "1/4000", "30", "full")}):
        brief = read_brief(text, "fountain.yaml", camera_scales=scales)
        assert labels(brief.kit.body.time)[-1] == "120"
        assert brief.kit.body.bulb_above_s == 32.0
        # A plan holds the carried-on scale and is read with it.
        assert brief_from_tree(brief.source, camera_scales={"time": brief.kit.body.time}) == brief
        # The connected camera lists no bulb times: they are put after its own, once.
        whole = with_bulb(brief.kit.body, scales["time"])
        assert whole == brief.kit.body.time == with_bulb(brief.kit.body, whole)
    assert with_bulb(demo().kit.body, offered["time"]) == offered["time"]
    short = {"time": scale_between("time", "1/4000", "15", "thirds")}
    with pytest.raises(BriefError, match="with above, the longest time the camera keeps by itself"):
        read_brief(text, "fountain.yaml", camera_scales=short)


# Zoom.


@pytest.mark.parametrize(
    ("at", "widest"), [("24 mm", "f/3.5"), ("35 mm", "f/4.5"), ("50 mm", "f/4.5"), ("51 mm", "f/5.6")]
)
def test_a_zoom_has_the_apertures_of_the_focal_length_that_is_set(at, widest):
    lens = demo(kit__lens__focal_length=ZOOM | {"set": at}, kit__lens__widest=WIDEST, goals=ISOLATE).kit.lens
    assert labels(lens.aperture)[0] == widest
    assert labels(lens.aperture)[-1] == "f/22"
    # Negative control: without `widest` it is the scale as written, at every focal length.
    plain = demo(kit__lens__focal_length=ZOOM | {"set": at}).kit.lens
    assert labels(plain.aperture)[0] == "f/1.8" == labels(plain.zoom.aperture_at(70))[0]


def test_goals_are_held_against_the_apertures_at_the_focal_length_that_is_set():
    ladder = {"change": "aperture", "by": "1", "balance": "time", "focus": "heron", "from": "f/4"}
    with pytest.raises(BriefError, match=r"f/4\.5 to f/22 in thirds of a stop\. The nearest is f/4\.5"):
        demo(kit__lens__focal_length=ZOOM, kit__lens__widest=WIDEST, goals=[{"ladder": ladder}])
    assert demo(kit__lens__focal_length=ZOOM | {"set": "24 mm"}, kit__lens__widest=WIDEST, goals=[{"ladder": ladder}])


def test_a_zoom_on_a_connected_camera_may_be_wider_elsewhere_than_the_camera_now_lists():
    offered = {"aperture": scale_between("aperture", "f/4.5", "f/22", "thirds")}
    text = DEMO.replace("focal_length: 50 mm", f"focal_length: {json.dumps(ZOOM)}, widest: {json.dumps(WIDEST)}")
    text = text.replace("aperture: {from: f/1.8, to: f/22, step: 1/3}", "aperture: camera")
    brief = read_brief(text.replace('"', ""), "fountain.yaml", camera_scales=offered)
    assert brief.kit.lens.aperture == offered["aperture"]
    assert labels(brief.kit.lens.zoom.aperture_at(24))[0] == "f/3.5"
    assert brief_from_tree(brief.source, camera_scales=offered) == brief


# Complaints.

# old, new, line, column, at, field, found, words that must be in what is allowed or advised
CASES = [
    ("bulb", TIME, f"{TIME}\n    bulb: 20 s", 11, 11, "20 s", "kit.body.bulb", '"20 s"', "beyond 30 s"),
    ("bulb", TIME, f"{TIME}\n    bulb: 8", 11, 11, "8", "kit.body.bulb", '"8"', "Add the unit: 8 s"),
    ("bulb", TIME, f"{TIME}\n    bulb: {{to: 2 h}}", 11, 16, "2 h", "kit.body.bulb.to", '"2 h"', "to 1 h"),
    ("bulb", TIME, f"{TIME}\n    bulb: {{above: 60 s, to: 8 min}}",
     11, 19, "60 s", "kit.body.bulb.above", '"60 s"', "The nearest is 30"),
    ("bulb", TIME, f"{TIME}\n    bulb: {{too: 8 min}}", 11, 12, "too", "kit.body.bulb.too", '"too"',
     "Did you mean to?"),
    ("bulb", TIME, "time: {marks: [1 s, 7 s, 90 s, 300 s]}\n    bulb: 8 min",
     11, 11, "8 min", "kit.body.bulb", '"8 min"', "full, half or third stops"),
    ("flash", TIME, f"{TIME}\n    flash_sync: fast", 11, 17, "fast", "kit.body.flash_sync", '"fast"', "1/500 s"),
    ("flash", TIME, f"{TIME}\n    flash_sync: 250", 11, 17, "250", "kit.body.flash_sync", '"250"', "1/250 s if that"),
    ("shutter", TIME, f"{TIME}\n    shutter: curtain", 11, 14, "curtain", "kit.body.shutter", '"curtain"',
     "first curtain"),
    ("shutter", TIME, f"{TIME}\n    shutter: mechanical, electronic", 11, 14, "mech", "kit.body.shutter",
     '"mechanical, electronic"', "[mechanical, electronic]"),
    ("shutter", TIME, f"{TIME}\n    shutter: [electronic, electronic]", 11, 27, "electronic", "kit.body.shutter[2]",
     '"electronic"', "each word once"),
    ("card", TIME, f"{TIME}\n    card: 64", 11, 11, "64", "kit.body.card", '"64"', "Add the unit: 64 MB"),
    ("card", TIME, f"{TIME}\n    card: 64 gb", 11, 11, "64 gb", "kit.body.card", '"64 gb"',
     "Write the unit as GB: 64 GB"),
    ("frame", TIME, f"{TIME}\n    frame: 12 m", 11, 12, "12 m", "kit.body.frame", '"12 m"', "MB, GB"),
    ("frame", TIME, f"{TIME}\n    card: 8 MB\n    frame: 12 MB", 12, 12, "12 MB", "kit.body.frame", '"12 MB"', "8 MB"),
    ("battery", TIME, f"{TIME}\n    battery: 400 shots", 11, 14, "400 shots", "kit.body.battery", '"400 shots"',
     "400 frames"),
    ("battery", TIME, f"{TIME}\n    battery: 0 frames", 11, 14, "0 frames", "kit.body.battery", '"0 frames"', "from 1"),
    ("zoom", "50 mm", "{from: 24 mm, to: 70 mm}", 11, 10, "focal", "kit.lens.focal_length.set", "nothing",
     "Add `set: 50 mm`"),
    ("zoom", "50 mm", "{from: 70 mm, to: 24 mm, set: 50 mm}", 11, 42, "24 mm", "kit.lens.focal_length.to", '"24 mm"',
     "Change the two over"),
    ("zoom", "50 mm", "{from: 24 mm, to: 70 mm, set: 85 mm}", 11, 54, "85 mm", "kit.lens.focal_length.set", '"85 mm"',
     "from 24 mm to 70 mm"),
    ("widest", "50 mm", "50 mm, widest: {50 mm: f/4}", 11, 39, "{50 mm", "kit.lens.widest", "a mapping", "a zoom"),
    ("widest", "50 mm", "{from: 24 mm, to: 70 mm, set: 50 mm}, widest: {24 mm: f/3.5}", 11, 70, "{24 mm",
     "kit.lens.widest", "a mapping", "Add `70 mm: f/...`"),
    ("widest", "50 mm", "{from: 24 mm, to: 70 mm, set: 50 mm}, widest: {24 mm: f/1.2, 70 mm: f/4}", 11, 78, "f/1.2",
     "kit.lens.widest.24 mm", '"f/1.2"', "The nearest is f/1.8"),
    ("widest", "50 mm", "{from: 24 mm, to: 70 mm, set: 50 mm}, widest: {20 mm: f/2, 70 mm: f/4}", 11, 71, "20 mm",
     "kit.lens.widest.20 mm", '"20 mm"', "from 24 mm to 70 mm"),
    ("widest", "50 mm", "{from: 24 mm, to: 70 mm, set: 50 mm}, widest: {24 mm: f/4, 70 mm: f/2.8}", 11, 90, "f/2.8",
     "kit.lens.widest.70 mm", '"f/2.8"', "f/4 or narrower"),
    ("filter", "stops: 3", "stops: 3, measured: 6", 13, 40, "6", "kit.filters[1].measured", '"6"', "within 2 of the 3"),
    ("filter", "stops: 3", "stops: 3, kind: grey", 13, 36, "grey", "kit.filters[1].kind", '"grey"',
     "neutral, polariser"),
    ("filter", "stops: 3", "stops: 3, most: 4", 13, 36, "4", "kit.filters[1].most", '"4"', "Add `kind: polariser`"),
    ("filter", "name: ND 8, stops: 3", "name: glass, stops: 2, kind: polariser, most: 1.5", 13, 54, "1.5",
     "kit.filters[1].most", '"1.5"', "2 stops or more"),
    ("filter", "stops: 3", "stops: 3, stacks: true", 13, 38, "true", "kit.filters[1].stacks", '"true"', "Write yes"),
    ("filter", "stops: 3", "stops: 3, cast: []", 13, 36, "[]", "kit.filters[1].cast", "[]", "Write one value"),
    ("filter", "stops: 3", "stops: 8, measured: 8.2", 13, 27, "8", "kit.filters[1].stops", '"8"', "which ND 8 takes"),
    ("support", "support: tripod", "support: {by: tripod, rule: 1/f}", 15, 31, "1/f", "kit.support.rule", '"1/f"',
     "Delete rule"),
    ("support", "support: tripod", "support: {by: hand, rule: 1/2f}", 15, 29, "1/2f", "kit.support.rule", '"1/2f"',
     "1/f, 1/(2f)"),
    ("support", "support: tripod", "support: {rule: 1/f}", 15, 3, "support", "kit.support.by", "nothing",
     "Add `by: tripod`"),
    ("corrections", "support: tripod", "corrections: {aperture: {f/1.7: 0.1}}", 15, 28, "f/1.7",
     "kit.corrections.aperture.f/1.7", '"f/1.7"', "The nearest is f/1.8"),
    ("corrections", "support: tripod", "corrections: {aperture: {f/1.8: -0.4}}", 15, 35, "-0.4",
     "kit.corrections.aperture.f/1.8", '"-0.4"', "leave the marks in their order"),
    ("corrections", "support: tripod", "corrections: {time: {1/8000: 0.1, 1/8000 s: 0.1}}", 15, 37, "1/8000 s",
     "kit.corrections.time.1/8000 s", '"1/8000 s"', "each mark once"),
    ("corrections", "support: tripod", "corrections: {time: {1/8000 s: a bit}}", 15, 34, "a bit",
     "kit.corrections.time.1/8000 s", '"a bit"', "such as -0.2 stops"),
    ("corrections", "support: tripod", "corrections: {iso: {100: 0.1}}", 15, 17, "iso", "kit.corrections.iso", '"iso"',
     "one of aperture, time"),
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
    (told,) = [one for one in caught.value.complaints if not one.field.startswith("goals")]
    assert text.split("\n")[line - 1][column - 1 :].startswith(at)
    assert (told.line, told.column, told.field) == (line, column, field)
    assert found in told.found
    assert says in f"{told.allowed}. {told.advice}"


def test_every_word_of_the_kit_has_two_bad_inputs_and_more_here():
    words = [case[0] for case in CASES]
    assert {word for word in words if words.count(word) < 2} == set()


@pytest.mark.parametrize("word", ["gain: 1 stop", "rule: 1/f"])
def test_what_limits_times_without_a_tripod_is_refused_on_one(word):
    key, value = word.split(": ")
    assert demo(kit__support={"by": "monopod", key: value}).kit.support == "monopod"
    with pytest.raises(BriefError, match=f"Delete {key}: on a tripod no rule limits the times"):
        demo(kit__support={"by": "tripod", key: value})


@pytest.mark.parametrize(
    ("support", "stops"),
    [("hand", 0), ("monopod", 2), ({"by": "monopod", "gain": "0"}, 0), ({"by": "hand", "gain": "2 1/2 stops"}, 2.5)],
)
def test_the_longest_time_held_is_one_over_f_longer_by_what_the_support_gains(support, stops):
    # 1/f with f as on full frame, of 43.267 mm; two stops on a monopod: common practice, no source.
    kit = demo(kit__support=support).kit
    crop = 43.267 / (35.9**2 + 24**2) ** 0.5
    assert kit.longest_held_s(85.0) == pytest.approx(2**stops / (85 * crop))
