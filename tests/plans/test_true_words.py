"""The words of a plan hold for every support and goal: texts held against the plan's own numbers and the brief.

Tests look for properties (who smears, what fits, what is past), reckoned here, and for wording only where a word itself
was wrong.
"""

from __future__ import annotations

import re
from datetime import datetime

import pytest
from support_plans import demo

from plans.compiler import compile_brief
from plans.explain import brief_of, explain
from plans.goals import words
from plans.goals.faults import _WORDS as MISTAKES
from plans.plan import OperatorStep
from plans.pocket_card import card, card_text
from plans.rehearsal import summary
from plans.step_words import in_words

IDS = re.compile(r"\b\d{2,}-(operator|control|expose)\b|\bg\d+\b")
WINDY = {
    "spout": {"distance": "3 m", "speed": "3 m/s"},
    "heron": {"distance": "2 m", "depth": "0.2 m"},
    "hedge": {"distance": "8 m", "foliage": "yes"},
}
DEEP = {"deep": {"from": "heron", "to": "hedge"}}
EVERY_SUPPORT = ("tripod", "monopod", "hand")


def flat(text):
    return re.sub(r"[\s!]+", " ", text)


def made(*goals, **changes):
    return compile_brief(demo(goals=list(goals), **changes))


def on_card(plan):
    return flat(card_text(card(plan, brief_of(plan))))


def remedies(plan):
    return [remedy for item in plan.unreachable for remedy in item.remedies]


# Supports


@pytest.mark.parametrize("support", ["monopod", "hand"])
def test_nothing_speaks_of_a_tripod_that_is_not_there(support):
    goals = ({"isolate": "heron"}, {"freeze": "spout"}, {"faults": {"subject": "heron", "show": ["shaken", "under"]}})
    site = {"near": ["water", "mains", "people", "road"], "cold": "yes"}
    dark = made({"isolate": "heron"}, kit__support=support, scene__site=site, when="2026-10-20 22:00")
    cautions = [caution for step in dark.steps for caution in step.cautions]
    assert len(cautions) == 6 and not any("tripod" in caution for caution in cautions)
    plan = made(*goals, kit__support=support, scene__light={"ev100": "10"})
    hands = [f"{step.text} {step.why}" for step in plan.steps if isinstance(step, OperatorStep)]
    assert not plan.unreachable and {step.action for step in plan.steps if step.kind == "operator"} >= {
        "compose",
        "shake",
    }
    assert not any("tripod" in text for text in hands)
    told = explain(plan).replace("without a tripod", "")
    assert "tripod" not in told


def test_a_camera_that_moves_without_a_tripod_moves_no_tripod():
    zoom = {"from": "24 mm", "to": "70 mm", "set": "50 mm"}
    goal = {"perspective": {"subject": "heron", "focal_lengths": ["35 mm", "50 mm"]}}
    plan = made(goal, kit__support="hand", kit__lens__focal_length=zoom)
    told = f"{explain(plan)}{on_card(plan)}".replace("without a tripod", "").replace("tripod, in the brief", "")
    assert len(plan.exposing) == 2 and "tripod" not in told


def test_with_a_tripod_it_is_spoken_of():
    assert "Set up the tripod" in explain(made({"isolate": "heron"}))


@pytest.mark.parametrize("support", EVERY_SUPPORT)
def test_a_shaken_picture_can_be_had_on_every_support(support):
    plan = made(
        {"faults": {"subject": "heron", "show": ["shaken"]}}, kit__support=support, scene__light={"ev100": "10"}
    )
    assert not plan.unreachable
    (shaken,) = (step for step in plan.exposing if step.shaken)
    if support != "tripod":
        assert shaken.settings.time.exact <= brief_of(plan).kit.longest_held_s(50.0) * 1.02


def test_what_a_monopod_gains_can_be_written_and_counts():
    def longest(support):
        plan = made({"deep": {"from": "heron", "to": "hedge"}}, kit__support=support, scene__light={"ev100": "9"})
        return max(step.settings.time.exact for step in plan.exposing)

    usual, own = longest("monopod"), longest({"by": "monopod", "gain": "1 stop"})
    assert usual == pytest.approx(4 / 50, rel=0.05) and own == pytest.approx(2 / 50, rel=0.05)


# What is sharp


@pytest.mark.parametrize("wind", [None, "0.1 m/s", "3 m/s"])
def test_what_smears_within_a_deep_picture_is_named_with_how_far(wind):
    plan = made(DEEP, scene__subjects=WINDY, scene__wind=wind)
    (step,) = plan.exposing
    coc = step.predicted.coc_mm
    for name, smear in step.predicted.smear_mm.items():
        assert (words.millimetres(smear) in step.caption and words.the(name) in step.caption) == (smear > coc)
    smears = step.predicted.smear_mm.get("hedge", 0.0) > coc
    assert ("the hedge are sharp together" in step.caption) != smears
    assert smears == (wind == "3 m/s")


def test_the_card_calls_sharp_only_what_stands_still():
    silk = {"silk": "spout"}
    calm, windy = made(silk), made(silk, scene__subjects=WINDY, scene__wind="3 m/s")
    assert "the hedge not" in on_card(windy) and "the hedge not" not in on_card(calm)
    held = made({"silk": {"subject": "spout", "grade": "flowing"}}, kit__support="monopod", scene__light={"ev100": "9"})
    assert "if you held still" in on_card(held) and "if you held still" not in on_card(calm)


def test_merged_pictures_of_leaves_in_the_wind_are_not_called_sharp_throughout():
    bracket = {"focus-bracket": {"from": "heron", "to": "hedge"}}
    still = {name: subject for name, subject in WINDY.items() if name != "spout"}
    for wind in (None, "3 m/s"):
        captions = [step.caption for step in made(bracket, scene__subjects=still, scene__wind=wind).exposing]
        assert captions and all(("does not merge" in caption) == (wind is not None) for caption in captions)


# What fits


def test_a_remedy_that_pushes_a_subject_out_of_the_frame_says_so():
    def told(height):
        subjects = {
            "spout": {"distance": "3 m", "speed": "3 m/s"},
            "heron": {"distance": "4 m", "height": height},
            "hedge": {"distance": "9 m"},
        }
        found = remedies(made({"isolate": {"subject": "heron", "grade": "melted"}}, scene__subjects=subjects))
        return [one for one in found if "nearer" in one or "focal length" in one]

    # The frame is 24 mm high. A thing at s, focused on, is imaged at f / (s - f).
    fitted = 0
    for height in ("0.3 m", "1.2 m"):
        several = told(height)
        assert several
        for remedy in several:
            nearer = re.search(r"so that the heron is ([\d.]+) m away", remedy)
            longer = re.search(r"focal length of (\d+) mm", remedy)
            s, f = float(nearer[1]) if nearer else 4.0, float(longer[1]) if longer else 50.0
            share = float(height.split()[0]) * 1000 * f / (s * 1000 - f) / 24
            fitted += share <= 1
            assert ("does not fit the frame" in remedy) == (share > 1)
    assert 0 < fitted < 4


# The polariser


def test_the_polariser_is_turned_when_it_is_put_on_and_what_to_see_is_said():
    ring = {"name": "ring", "kind": "polariser", "stops": "1.3"}
    plan = made({"polariser": "spout"}, kit__filters=[ring])
    fitting, turning = (step for step in plan.steps if step.kind == "operator" and step.filters)
    assert (fitting.action, turning.action) == ("filters", "turn")
    assert "are strongest" in fitting.text and "viewfinder" in fitting.text and "are weakest" in turning.text
    screens = f"{summary(plan)}{explain(plan)}{on_card(plan)}"
    assert not re.search(r"ring (turned to )?(least|most)", screens)


def test_a_polariser_is_never_called_a_dark_filter():
    ring = {"name": "ring", "kind": "polariser", "stops": "1.3"}
    plan = made({"polariser": "spout"}, {"polariser": "heron"}, kit__filters=[ring])
    off = [step for step in plan.steps if step.kind == "operator" and step.text.startswith("Unscrew")]
    assert off and not any("dark" in step.why for step in off)
    gray = made({"silk": "spout"}, {"silk": "jet"}, scene__subjects={
        "spout": {"distance": "3 m", "speed": "3 m/s"}, "jet": {"distance": "5 m", "speed": "5 m/s"}
    })  # fmt: skip
    assert any("dark filter" in step.why for step in gray.steps if step.kind == "operator")


# Waiting, and light that is a guess


def test_light_to_come_is_told_once_with_how_much_of_it_and_when():
    told = [remedy for remedy in remedies(made({"silk": "spout"}, scene__light={"ev100": "15"}, kit__filters=[]))
            if "light than now" in remedy or "light of EV" in remedy]  # fmt: skip
    (one,) = told
    assert re.match(r"wait for .* stops less light than now \(EV .* will do\): on \d{4}", one), one


@pytest.mark.parametrize("when", ["2026-10-20 12:00", "2026-10-20 18:40", "2026-10-20 21:30"])
def test_no_window_to_wait_for_is_past(when):
    plan = made({"freeze": "spout"}, {"silk": "spout"}, scene__light={"ev100": "-3"}, when=when)
    waits = [remedy for remedy in remedies(plan) if remedy.startswith("wait for ")]
    assert waits
    for wait in waits:
        day, after, windows = re.search(r"on (\d{4}-\d\d-\d\d)(, the next day,)? here (.*?)\. That", wait).groups()
        assert (day == "2026-10-21") == bool(after)
        ends = re.findall(r"\d\d:\d\d to (\d\d:\d\d)", windows)
        now = datetime.fromisoformat(when)
        assert ends and (after or all(end.replace("24:00", "23:59") >= f"{now:%H:%M}" for end in ends))


def test_a_light_is_told_no_finer_than_it_is_known():
    plan = made({"freeze": "spout"}, {"isolate": "heron"}, scene__light={"ask": "camera"}, when="2026-10-20 21:30")
    text = flat(f"{summary(plan)} {explain(plan)} {on_card(plan)}")
    told = re.findall(r"\bEV (-?\d+(?:\.\d+)?)", text)
    assert len(told) > 4 and all(len(figure.partition(".")[2]) <= 1 for figure in told)
    assert "about EV" in text


# Faults


def test_a_plan_of_mistakes_names_each_in_its_reason_and_none_by_the_wrong_subject():
    plan = made({"faults": "heron"}, scene__intent="-1")
    by_goal = {step.goal: step for step in plan.exposing}
    assert len(by_goal) == 6
    # What blurs is the spout; the heron only names the picture.
    (blurred,) = (step for step in plan.exposing if step.goal.endswith(MISTAKES["motion"]))
    assert "the spout, which smears" in blurred.caption and "heron blurred" not in blurred.goal
    under = by_goal["heron underexposed"]
    # The amount counts from what is wanted, a stop under the metered exposure here.
    assert under.intended_offset == -3 and "2 stops under" in f"{under.caption}{under.criteria}".replace("exposed", "")
    assert all("the metered exposure" not in text for text in (*under.criteria, under.caption))
    for word in MISTAKES:
        several = made(
            {"faults": {"subject": "heron", "show": [word]}},
            kit__body__time={"marks": ["1/60 s"]}, kit__lens__aperture={"marks": ["f/22"]},
            kit__body__iso={"marks": ["100"]}, kit__filters=None, limits=None,
        )  # fmt: skip
        reasons = " ".join(reason for item in several.unreachable for reason in item.reasons)
        assert several.unreachable and ("right picture" in reasons or word in reasons)


def test_no_verb_depends_on_how_many_things_move():
    both = {**WINDY, "jet": {"distance": "3 m", "speed": "2 m/s"}}
    for subjects in (WINDY, both):
        plan = made({"faults": {"subject": "heron", "show": ["shaken"]}}, scene__subjects=subjects, scene__wind="2 m/s")
        (shaken,) = (step for step in plan.exposing if step.shaken)
        assert "moves in it" not in shaken.caption and "moving in it too" in shaken.caption


# Brackets and intents


def test_a_bracket_counts_from_the_picture_that_is_wanted():
    bracket = {"bracket": {"change": "time", "by": "1", "count": "5", "focus": "heron"}}
    for intent in (None, "snow"):
        text = flat(summary(made(bracket, scene__intent=intent)))
        assert "from 2 stops under to 2 stops over" in text
    assert not re.search(r"\d\.\d+ stops? (under|over)", text)


def test_the_card_says_what_plus_and_minus_count_from_and_how_to_meter_with_an_intent():
    plain, snow, white = (on_card(made({"isolate": "heron"}, scene__intent=i)) for i in (None, "snow", "white water"))
    assert "+1 2/3" in snow and not re.search(r"[+−]\d*\.\d", snow + white)
    assert "As bright as you want it?" in plain and "As bright as you want it?" not in snow + white
    assert "stops brighter and darker than this one" in snow
    assert "stops brighter and darker" not in plain + white
    assert "spot" in white and "give 2 1/3 stops more than it says" in white and "spot" not in snow
    assert "give 2 1/3 stops more than it says" in flat(
        " ".join(made({"isolate": "heron"}, scene__intent="white water").notes)
    )


def test_each_look_line_names_its_pictures_once():
    text = on_card(compile_brief(demo()))
    assert "look:" not in text
    named = []
    for first, _, last in re.findall(r"look at (\d+)( to | and )?(\d+)?:", text):
        named += range(int(first), int(last or first) + 1)
    assert sorted(named) == list(range(1, 25))


def test_pictures_with_mistakes_are_looked_at_for_their_own_mistake():
    text = on_card(made({"faults": "heron"}))
    assert "brightness and framing as before" not in text
    assert len(set(re.findall(r"look at \d+: (.+?)(?= look| \[| ==| A neutral)", text))) == 6


# Ids, empty plans, batteries


def test_no_id_of_a_step_or_group_stands_on_a_page_for_people():
    plan = compile_brief(demo())
    for text in (summary(plan), explain(plan), on_card(plan)):
        assert not IDS.search(text)
        for group in plan.groups:
            assert f"(goal {group.id[1:]})" in flat(text)


def test_a_plan_with_nothing_to_shoot_has_no_bill_and_says_so():
    plan = made({"polariser": "spout"})
    assert not plan.exposing
    for text in (summary(plan), explain(plan), on_card(plan)):
        assert "nothing to shoot" in text.lower()
        for bill in (
            "Cost:",
            "Time:",
            "Card:",
            "In the bag",
            "To take along",
            "== CAMERA",
            "== END",
            "hands 0",
            "0 pictures",
        ):
            assert bill not in text
    assert "no polariser is in the bag" in flat(summary(plan))


def test_the_battery_is_told_with_what_is_assumed_of_it():
    plan = made({"isolate": "heron"}, kit__body__battery="400 frames")
    assert "as many frames as the kit names, one every 30 s" in flat(summary(plan))
    cold = made({"isolate": "heron"}, kit__body__battery="400 frames", scene__site={"cold": "yes"})
    assert "counted double in the cold" in flat(summary(cold)) and "counted double" not in flat(summary(plan))


# The kit's own facts

NIGHT = {
    "kit__body__bulb": "8 min",
    "kit__body__shutter": ["mechanical", "electronic"],
    "kit__body__flash_sync": "1/250 s",
    "scene__light": {"ev100": "-3"},
    "scene__mains": "50 Hz",
}
LADDER = {"ladder": {"change": "aperture", "by": "1", "balance": "time", "focus": "heron"}}


def steps_told(plan):
    """What an explanation says of each picture, by its number."""
    text = explain(plan)
    return {
        step.id: flat(text[text.index(f"\nstep {int(step.id[:2])}, ") :].split("\n\n")[0]) for step in plan.exposing
    }


def test_each_bulb_time_is_told_as_one_at_its_step_and_no_other_is():
    plan = made(LADDER, **NIGHT)
    told = steps_told(plan)
    bulbs = {step.id for step in plan.exposing if step.settings.time.exact > 33}
    assert bulbs and bulbs != set(told)
    assert {step for step, text in told.items() if "a bulb time" in text} == bulbs
    assert sum("remote release with a lock" in text for text in told.values()) == 1
    assert "remote release with a lock" in on_card(plan)
    assert "bulb" not in explain(made(LADDER)) and "remote release" not in on_card(made(LADDER))


def test_a_filter_with_a_colour_of_its_own_is_told_with_what_to_do_about_it():
    def filters(cast):
        return [{"name": "ND 64", "density": "1.8", **({"cast": cast} if cast else {})}]

    warm = made({"silk": "spout"}, kit__filters=filters("slightly warm"))
    plain = made({"silk": "spout"}, kit__filters=filters(None))
    for text in (flat(explain(warm)), on_card(warm)):
        assert "slightly warm" in text and "white balance" in text
    assert "white balance" not in explain(plain) + on_card(plain)


def test_the_shutter_is_told_as_far_as_the_kit_states_it():
    freeze = {"freeze": "spout"}
    lit = {"scene__mains": "50 Hz"}
    assert "hutter:" not in explain(made(freeze))
    only = explain(made(freeze, kit__body__shutter="electronic", **lit))
    both = explain(made(freeze, kit__body__shutter=["mechanical", "electronic"], **lit))
    assert "draws bands at" in flat(only) and "expect them" in flat(only)
    assert "set the mechanical one" in flat(both)
    assert "draws bands" not in explain(made(freeze, kit__body__shutter="mechanical", **lit))
    assert "draws bands" not in explain(made(freeze, kit__body__shutter="electronic"))
    # 1/4 s is 25 flickers, even by |sin| <= 1.
    assert "draws bands" not in explain(made({"silk": "spout"}, kit__body__shutter="electronic", **lit))
    flash = flat(explain(made(freeze, kit__body__flash_sync="1/250 s")))
    assert "shortest time with flash, 1/250 s," in flash and "1/256" not in flash


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("03-expose: dark; see 12-control", "step 3, picture: dark; see step 12, reading"),
        ("101-operator, then 007-expose", "step 101, hands, then step 7, picture"),
        ("pictures/03-expose-a1.jpg, run-1-03-expose-a1.jpg, 03-expose-a1.jpg", None),
        ("2026-10-20, 3-expose, my-03-expose", None),
    ],
)
def test_ids_are_put_into_words_and_names_of_files_stay(text, told):
    assert in_words(text) == (text if told is None else told)
