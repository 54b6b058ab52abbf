"""Cautions: each once, at the step where it matters, and none where nothing threatens."""

from __future__ import annotations

import json
import re
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from support_plans import demo

from plans import cautions, hands
from plans.cautions import SunSeen, cautions_for, coast_text, is_dark, tide_text
from plans.compiler import compile_brief
from plans.explain import packed
from plans.kit import Filter
from plans.plan import ControlStep, FilterValue, Focus, OperatorStep, Rig
from plans.rehearsal import HANDS_S
from plans.scene import Site

LADDER = {"change": "aperture", "by": "1", "from": "f/4", "to": "f/11", "balance": "time"}
BRACKET = {"change": "time", "by": "1", "count": "3"}
DRY = [{"ladder": {**LADDER, "focus": "heron"}}, {"bracket": {**BRACKET, "focus": "hedge"}}]


@pytest.fixture(scope="module")
def plan():
    return compile_brief(demo())


@pytest.fixture(scope="module")
def dry():
    """Nothing moves, no filter: a brief without any danger of its own."""
    return demo(goals=DRY)


@pytest.fixture(scope="module")
def dry_steps(dry):
    return bare(compile_brief(dry).steps)


def bare(steps):
    return [step.model_copy(update={"cautions": ()}) for step in steps]


def at(brief, ev=None, **site):
    """The brief at another place, in other light."""
    scene = brief.scene.model_copy(update={"site": Site(**site)})
    if ev is not None:
        scene = scene.model_copy(update={"light": scene.light.model_copy(update={"ev100": ev})})
    return brief.model_copy(update={"scene": scene})


def placed(steps):
    return {step.id: step.cautions for step in steps if step.cautions}


def hand(number, action="focus", text="", **more):
    return OperatorStep(
        id=f"{number:02d}-operator", action=action, text=text, why="", focus=Focus(subject=None, distance_m=2.0), **more
    )


def test_the_demo_has_the_caution_at_the_water_and_that_of_the_filter_and_no_other(plan):
    steps, left = cautions_for(demo(), bare(plan.steps), None)
    assert left == ()
    fitting = next(step for step in steps if isinstance(step, OperatorStep) and step.filters)
    assert placed(steps) == {steps[0].id: (hands.WATER,), fitting.id: (hands.NEUTRAL_DENSITY,)}
    # The plan that was kept before cautions had a room of their own has the same ones at the same kinds of step.
    golden = json.loads((Path(__file__).parents[1] / "golden" / "demo_plan.json").read_text(encoding="utf-8"))
    given = [(step["action"], step["cautions"]) for step in golden["steps"] if step["cautions"]]
    assert given == [("compose", [hands.WATER]), ("filters", [hands.NEUTRAL_DENSITY])]


def test_cautions_that_stand_already_are_not_said_again(plan):
    once, _ = cautions_for(demo(), bare(plan.steps), None)
    twice, left = cautions_for(demo(), once, None)
    assert twice == once and left == ()


def test_a_dry_plan_by_day_has_no_caution(dry, dry_steps):
    assert cautions_for(dry, dry_steps, SunSeen(40.0, 90.0)) == (dry_steps, ())


@pytest.mark.parametrize(
    ("site", "text"),
    [
        ({"near": ("water",)}, hands.WATER),
        ({"near": ("people",)}, cautions.PEOPLE),
        ({"near": ("road",)}, cautions.ROAD),
        ({"near": ("mains",)}, cautions.MAINS_DRY),
        ({"cold": True}, cautions.COLD),
    ],
)
def test_what_the_place_threatens_is_said_once_when_setting_up(dry, dry_steps, site, text):
    steps, left = cautions_for(at(dry, **site), dry_steps, None)
    assert left == ()
    assert placed(steps) == {dry_steps[0].id: (text,)} and dry_steps[0].action == "compose"


def test_mains_at_the_water_are_graver_than_mains_in_the_dry(dry, dry_steps):
    steps, _ = cautions_for(at(dry, near=("mains", "water")), dry_steps, None)
    assert placed(steps) == {dry_steps[0].id: (hands.WATER_ALONE, cautions.MAINS)}
    # Battery or extra-low voltage first, else a residual-current device, outdoor leads, dry connections; nothing
    # charging unattended (guidance based on OSHA's rules).
    for word in (
        "batteries or extra-low voltage",
        "residual-current device",
        "outdoors",
        "dry",
        "charging",
        "ocal rules",
    ):
        assert word in cautions.MAINS


def test_what_moves_counts_as_water_unless_it_is_foliage(plan):
    brief = demo(goals=[{"freeze": "spout"}])
    steps = bare(compile_brief(brief).steps)
    assert placed(cautions_for(brief, steps, None)[0]) == {steps[0].id: (hands.WATER,)}
    leaf = brief.scene.subjects["spout"].model_copy(update={"foliage": True})
    scene = brief.scene.model_copy(update={"subjects": {**brief.scene.subjects, "spout": leaf}})
    assert placed(cautions_for(brief.model_copy(update={"scene": scene}), steps, None)[0]) == {}


# Sun and night


@pytest.mark.parametrize(
    ("sun", "said"),
    [
        (SunSeen(20.0, 0.0), True),
        (SunSeen(20.0, 30.0), True),
        (SunSeen(20.0, 30.1), False),
        (SunSeen(-3.0, 5.0), False),  # it is down
        (SunSeen(20.0), False),  # nobody knows whither the camera looks
        (None, False),
    ],
)
def test_the_sun_is_minded_within_thirty_degrees_of_the_frame_while_it_is_up(dry, dry_steps, sun, said):
    steps, _ = cautions_for(dry, dry_steps, sun)
    given = placed(steps).get(dry_steps[0].id, ())
    assert len(given) == said
    if said:
        for word in ("finder", "neutral-density filter is no eye", "cap the lens", "fire"):
            assert word in given[0]


@pytest.mark.parametrize(
    ("ev", "sun", "dark"),
    [
        (-0.5, None, True),
        (0.0, None, False),
        (13.0, SunSeen(-6.1), True),
        (13.0, SunSeen(-6.0), False),
        (5.0, SunSeen(-4.0), False),  # civil twilight
    ],
)
def test_night_is_light_below_ev_0_or_the_sun_six_degrees_down(dry, dry_steps, ev, sun, dark):
    brief = at(dry, ev=ev)
    steps = [
        step.model_copy(update={"predicted_ev100": ev}) if isinstance(step, ControlStep) else step for step in dry_steps
    ]
    assert is_dark(brief, steps, sun) == dark
    given = placed(cautions_for(brief, steps, sun)[0])
    assert given == ({steps[0].id: (cautions.NIGHT,)} if dark else {})


def test_a_night_that_only_the_plan_was_made_for_counts(dry, dry_steps):
    steps = [
        step.model_copy(update={"predicted_ev100": -2.0}) if isinstance(step, ControlStep) else step
        for step in dry_steps
    ]
    assert is_dark(dry, steps, None) and not is_dark(dry, dry_steps, None)


# The coast


def test_the_caution_at_the_coast_has_the_times_that_were_entered():
    text = coast_text(Site(near=("coast",), high_water="16:40", leave_by="15:50"))
    for word in ("High water is at 16:40", "Leave by 15:50", "tide, surf and weather", "never turn your back", "local"):
        assert word in text
    unknown = coast_text(Site(near=("coast",)))
    assert "No time of high water was entered" in unknown and "None" not in unknown
    assert "None" not in coast_text(Site(near=("coast",), high_water="16:40"))
    assert tide_text(Site(near=("coast",), leave_by="15:50")).endswith("Leave by 15:50, whatever is not yet shot.")


def coast_brief(dry, when="15:30", leave_by="15:50"):
    hour, minute = map(int, when.split(":"))
    moment = datetime(2026, 10, 20, hour, minute, tzinfo=ZoneInfo("Europe/London"))
    brief = at(dry, near=("coast",), high_water="16:40", leave_by=leave_by)
    return brief.model_copy(update={"when": moment})


def test_each_move_at_the_coast_has_a_reminder_with_the_time_to_leave(dry, dry_steps):
    steps = [dry_steps[0], hand(2, "move"), dry_steps[1], hand(4, "move"), hand(5)]
    found, _ = cautions_for(coast_brief(dry, leave_by="23:00"), steps, None)
    reminder = tide_text(Site(near=("coast",), high_water="16:40", leave_by="23:00"))
    assert reminder in found[1].cautions and reminder in found[3].cautions
    assert all(reminder not in step.cautions for step in (found[0], found[2], found[4]))
    assert "Leave by 23:00" in found[0].cautions[1]  # after the water's, when setting up


def test_the_reminder_to_leave_comes_at_the_first_thing_for_hands_of_the_last_quarter_of_an_hour(dry, dry_steps):
    # Setting up takes 5 minutes from 15:30 on, each focus 45 s: the fourth begins at 15:37:15, the first after 15:37.
    steps = [dry_steps[0], *(hand(n) for n in range(2, 9))]
    found, left = cautions_for(coast_brief(dry, leave_by="15:52"), steps, None)
    reminded = [n for n, step in enumerate(found) if "clock" in " ".join(step.cautions)]
    begins = [HANDS_S["compose"] + HANDS_S["focus"] * (n - 1) for n in range(1, 8)]
    due = next(n for n, seconds in enumerate(begins, 1) if seconds >= 7 * 60)
    assert reminded == [due] == [4] and left == ()


def test_a_plan_that_runs_past_the_time_to_leave_says_so(dry, dry_steps):
    steps = [dry_steps[0], *(hand(n) for n in range(2, 9))]
    # 5 min and seven times 45 s from 15:30 on: 15:40.
    late, left = cautions_for(coast_brief(dry, leave_by="15:35"), steps, None)
    assert len(left) == 1 and "at about 15:40" in left[0] and "15:35" in left[0]
    assert cautions_for(coast_brief(dry, leave_by="15:45"), steps, None)[1] == ()
    already = cautions_for(coast_brief(dry, leave_by="15:00"), steps, None)[1]
    assert len(already) == 1 and "15:00" in already[0]
    night = cautions_for(coast_brief(dry, when="23:50", leave_by="00:30"), steps, None)[1]
    assert night == ()  # the next day's
    assert late[1].cautions == (tide_text(Site(high_water="16:40", leave_by="15:35")),)


def test_the_clock_of_the_coast_counts_an_hour_that_comes_twice(dry, dry_steps):
    # Clocks go back at 2:00 on 25 October 2026: from 0:50 to 1:20 of the second time it is an hour and a half.
    brief = coast_brief(dry, leave_by="02:10")
    brief = brief.model_copy(update={"when": datetime(2026, 10, 25, 0, 50, tzinfo=ZoneInfo("Europe/London"))})
    long = [dry_steps[0], *(hand(n, "move") for n in range(2, 47))]  # 5 min and 45 times 3: 2 h 20 min, to 2:10
    assert cautions_for(brief, long, None)[1] == ()
    assert len(cautions_for(brief, [*long, hand(99, "move")], None)[1]) == 1
    assert timedelta(seconds=HANDS_S["compose"] + 45 * HANDS_S["move"]) == timedelta(hours=2, minutes=20)


def test_without_a_time_of_day_the_last_thing_for_hands_has_the_reminder(dry, dry_steps):
    brief = coast_brief(dry).model_copy(update={"when": None})
    found, left = cautions_for(brief, [dry_steps[0], hand(2), dry_steps[1], hand(4)], None)
    assert [step.id for step in found if "clock" in " ".join(step.cautions)] == ["04-operator"] and left == ()


# The state of the rig


def test_a_rig_that_was_set_up_and_metered_has_heard_of_the_place(dry, dry_steps):
    brief = at(dry, near=("water", "people"))
    rest = [step for step in dry_steps if not isinstance(step, ControlStep)][1:]
    assert cautions_for(brief, rest, None) == (rest, ())
    assert cautions_for(brief, dry_steps, None, Rig(metered=True)) == (dry_steps, ())
    assert placed(cautions_for(brief, dry_steps, None, Rig())[0]) == {dry_steps[0].id: (hands.WATER, cautions.PEOPLE)}


def test_a_composed_rig_without_anything_for_hands_has_the_caution_before_all(dry, dry_steps):
    rest = [step for step in dry_steps if not isinstance(step, OperatorStep)]
    assert cautions_for(at(dry, near=("water",)), rest, None) == (rest, (hands.WATER,))


def test_the_filter_s_caution_is_not_repeated_while_one_is_on_the_lens(plan):
    dark = FilterValue(name="ND 64", stops=6.0)
    steps = [hand(1, "filters"), hand(2, "filters", filters=(dark,)), hand(3, "filters", filters=(dark, dark))]
    assert placed(cautions_for(demo(goals=DRY), steps, None)[0]) == {"02-operator": (hands.NEUTRAL_DENSITY,)}
    assert placed(cautions_for(demo(goals=DRY), steps, None, Rig(filters=(dark,), metered=True))[0]) == {}


def test_a_filter_that_only_stays_on_is_none_that_is_fitted(dry, plan):
    (picture,) = (step for step in bare(plan.exposing) if step.settings.filters)
    staying = hand(2, "filters", filters=picture.settings.filters)
    assert cautions_for(dry, [picture, staying], None) == ([picture, staying], ())


def test_a_polariser_is_no_neutral_density_filter(dry):
    kit = dry.kit.model_copy(update={"filters": (Filter(name="turner", stops=1.3, kind="polariser"),)})
    steps = [hand(1, "filters", filters=(FilterValue(name="turner", stops=1.3, turned="most"),))]
    assert placed(cautions_for(dry.model_copy(update={"kit": kit}), steps, None)[0]) == {}


@pytest.mark.parametrize(("cautious", "limit"), [(False, "1/50 s"), (True, "1/100 s")])
def test_without_a_tripod_the_longest_time_by_hand_is_named(dry, dry_steps, cautious, limit):
    # 1/f and 1/(2f), common practice, at 50 mm on full frame.
    kit = dry.kit.model_copy(update={"support": "hand", "cautious": cautious})
    _, left = cautions_for(dry.model_copy(update={"kit": kit}), dry_steps, None)
    (text,) = left
    assert f"No time longer than {limit} is planned by hand" in text


@pytest.mark.parametrize(
    ("kit", "limit"),
    [
        ({"support": "monopod"}, 4 / 50),  # two stops longer than 1/f, common practice
        ({"support": "monopod", "gain": 1.0}, 2 / 50),
        ({"support": "monopod", "cautious": True}, 4 / 100),
        ({"support": "hand", "gain": 3.0}, 8 / 50),
    ],
)
def test_the_caution_without_a_tripod_names_the_limit_that_the_plan_keeps(dry, dry_steps, kit, limit):
    own = dry.model_copy(update={"kit": dry.kit.model_copy(update=kit)})
    _, (text,) = cautions_for(own, dry_steps, None)
    (named,) = re.findall(r"No time longer than 1/([\d.]+) s is planned", text)
    # On full frame of 43.27 mm; this sensor is a hair smaller. Printed with two digits.
    assert 1 / float(named) == pytest.approx(limit, rel=0.05)
    assert own.kit.longest_held_s(50) == pytest.approx(limit, rel=0.01)
    assert ("common practice, no source" in text) == ("gain" not in kit)


def test_water_and_mains_say_nothing_twice(dry, dry_steps):
    steps, _ = cautions_for(at(dry, near=("water", "mains")), dry_steps, None)
    (both,) = placed(steps).values()
    told = [re.split(r"[.:;] ", caution) for caution in both]
    parts = [part.strip(". ") for caution in told for part in caution]
    # Who decides is told with each; nothing else is.
    assert {part for part in parts if parts.count(part) > 1} <= {"Local rules come first"}
    assert " ".join(both).count("residual-current") == 1
    assert sum("pumps" in caution for caution in both) == 1


def test_no_steps_have_no_cautions(dry):
    assert cautions_for(at(dry, near=("coast", "water"), cold=True), [], SunSeen(-20.0, 0.0)) == ([], ())


def test_the_bag_follows_the_place(plan):
    def take(**site):
        return packed(plan, at(demo(goals=DRY), **site)).take

    def has(items, word):
        return any(word in item for item in items)

    assert has(take(near=("water",)), "lens cloth") and not has(take(near=("road",)), "lens cloth")
    assert has(take(cold=True), "spare battery") and not has(take(), "spare battery")
    night = plan.model_copy(update={"steps": tuple(cautions_for(demo(), bare(plan.steps), SunSeen(-10.0))[0])})
    assert has(packed(night, demo()).take, "torch") and not has(packed(plan, demo()).take, "torch")
