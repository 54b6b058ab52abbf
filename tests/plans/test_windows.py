"""In which light a goal can be reached: ranges held against trying every third of a stop."""

from __future__ import annotations

import math

import pytest
from hypothesis import HealthCheck, given, settings
from support_naive import naive_frames, tiny_briefs
from support_plans import demo

from plans.brief import Compare
from plans.goals.menu import offer
from plans.goals.situation import Situation
from plans.goals.windows import bounds, ev_range, may_reach
from plans.light_brief import goal_ranges

HAIR = 1e-4
GOALS = [
    {"compare": [{"freeze": "spout"}, {"silk": "spout"}], "hold": ["aperture", "focus"]},
    {"compare": [{"freeze": "spout"}, {"silk": "spout"}], "hold": ["iso", "filters"]},
    {"isolate": "heron"},
    {"deep": {"from": "heron", "to": "hedge"}},
    {"silk": {"subject": "spout", "length": "0.3 m"}},
    {"ladder": {"change": "aperture", "by": "1", "balance": "time", "focus": "heron"}},
    {"ladder": {"change": "aperture", "by": "1", "balance": "iso", "focus": "hedge", "from": "f/2.8", "to": "f/16"}},
    {"ladder": {"change": "time", "by": "2", "balance": "iso", "focus": "hedge", "from": "1/500 s", "to": "1/30 s"}},
    {"bracket": {"change": "aperture", "by": "1", "count": "5", "focus": "heron"}},
    {"bracket": {"change": "iso", "by": "1", "count": "7", "focus": "heron"}},
]


def situation_of(brief, ev100=None):
    scales = {"aperture": brief.kit.lens.aperture, "time": brief.kit.body.time, "iso": brief.kit.body.iso}
    light = brief.scene.light.ev100 if ev100 is None else ev100
    return Situation(brief.kit, brief.scene, brief.limits, light, scales, brief.shown_on)


@pytest.mark.parametrize("goal", GOALS, ids=lambda goal: "-".join(goal))
@pytest.mark.parametrize("filters", [[], [{"name": "ND 64", "density": "1.8"}]], ids=["bare", "ND"])
def test_a_goal_is_reached_inside_its_ranges_and_nowhere_else(goal, filters):
    brief = demo(goals=[goal], kit__filters=filters)
    here, (wanted,) = situation_of(brief), brief.goals
    ranges = ev_range(here, wanted)
    tried = {n / 3: offer(here.with_light(n / 3), wanted) is not None for n in range(-36, 75)}
    inside = {ev: any(low - HAIR <= ev <= high + HAIR for low, high in ranges) for ev in tried}
    assert tried == inside
    assert any(tried.values()) == bool(ranges)
    for low, high in ranges:
        assert offer(here.with_light(low), wanted) and offer(here.with_light(high), wanted)
    # The quick look may hope too much but never too little.
    assert all(may_reach(here.with_light(ev), wanted) for ev, reached in tried.items() if reached)


def test_the_ends_are_where_the_settings_end():
    # Isolating the heron leaves f/2.5; the darkest light is 30 s at ISO 6400, the brightest 1/8000 s at ISO 100.
    brief = demo(goals=[{"isolate": "heron"}], kit__filters=[])
    ((low, high),) = ev_range(situation_of(brief), brief.goals[0])
    aperture = 2 * math.log2(2 ** (8 / 6))
    loss = 2 * math.log2(1 + 50 / 1950)
    assert low == pytest.approx(aperture - 5 - 6 + loss - 1 / 6, abs=HAIR)
    assert high == pytest.approx(aperture + 13 + loss + 1 / 6, abs=HAIR)


def test_pictures_meant_to_be_brighter_want_more_light():
    plain = demo(goals=[{"isolate": "heron"}])
    snow = demo(goals=[{"isolate": "heron"}], scene__intent="1 2/3")
    ((low, high),) = ev_range(situation_of(plain), plain.goals[0])
    ((low_snow, high_snow),) = ev_range(situation_of(snow), snow.goals[0])
    assert (low_snow - low, high_snow - high) == pytest.approx((5 / 3, 5 / 3), abs=HAIR)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
@given(tiny_briefs())
def test_what_a_naive_search_reaches_lies_within_the_bounds(brief):
    (goal,) = brief.goals
    if isinstance(goal, Compare):
        return
    here = situation_of(brief)
    for ev in (here.ev100, here.ev100 - 5, here.ev100 + 4):
        light = brief.scene.light.model_copy(update={"ev100": ev})
        moved = brief.model_copy(update={"scene": brief.scene.model_copy(update={"light": light})})
        reached = bool(naive_frames(moved, goal))
        hopes = any(low - HAIR <= ev <= high + HAIR for low, high in bounds(here, goal))
        assert hopes or not reached
        if any(low <= ev <= high for low, high in ev_range(here, goal)) and here.ground.filters == ():
            assert reached


def test_a_range_moved_by_a_third_of_a_stop_is_found_out():
    brief = demo(goals=[{"isolate": "heron"}], kit__filters=[])
    here = situation_of(brief)
    ((low, high),) = ev_range(here, brief.goals[0])
    assert offer(here.with_light(low - 1 / 3), brief.goals[0]) is None
    assert offer(here.with_light(high + 1 / 3), brief.goals[0]) is None


def test_times_held_by_bulb_widen_the_windows_as_they_widen_the_plan():
    goals = [{"deep": {"from": "heron", "to": "hedge"}}]

    def darkest(**changes):
        ((_, ranges),) = goal_ranges(demo(goals=goals, limits__iso_at_most=None, **changes))
        return ranges[0][0]

    # 240 s after 30 s: three stops darker. Control: without bulb in the kit the window ends where the shutter does.
    assert darkest() - darkest(kit__body__bulb="4 min") == pytest.approx(3, abs=0.01)
