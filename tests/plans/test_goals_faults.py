"""Mistakes made on purpose, each by its amount and no other: held against blur, smear and exposure reckoned here."""

from __future__ import annotations

import pytest
from support_goals import COC, ND_8, disc_mm, is_sharp, level, planned, reached, refused, situation_of, smear_mm, told
from support_plans import demo

from plans.goals import faults, finding

MISTAKES = ["under", "over", "shaken", "misfocused", "motion"]
STILL = {"heron": {"distance": "2 m", "depth": "0.2 m"}, "hedge": {"distance": "8 m"}}
HAND_HELD_S = 1 / 50  # 1/f: maker's manuals, and common practice


def by_mistake(goal, **changes):
    """The pictures by what went wrong in them; the right one by None."""
    steps = reached({"faults": goal}, **changes)
    show = goal.get("show", MISTAKES) if isinstance(goal, dict) else MISTAKES
    names = {"under": "underexposed", "over": "overexposed", "motion": "with motion blur"}
    found = {None: next(step for step in steps if step.goal.endswith("as it should be"))}
    for word in show:
        found[word] = next(step for step in steps if step.goal.endswith(names.get(word, word)))
    assert len(found) == len(steps)
    return found


def water(step):
    return smear_mm(50, step.settings.focus.distance_m, 3.0, 3.0, step.settings.time.exact)


@pytest.fixture(scope="module")
def herons():
    return by_mistake("heron")


def test_each_picture_has_the_right_one_for_its_reference_and_the_aperture_in_common(herons):
    right = herons[None]
    assert {step.reference for step in herons.values()} == {right.id}
    assert len({step.settings.aperture.mark for step in herons.values()}) == 1


def test_the_right_picture_is_right(herons):
    s = herons[None].settings
    assert s.focus.distance_m == 2.0 and all(is_sharp(50, s.aperture.exact, 2.0, at) for at in (1.9, 2.1))
    assert water(herons[None]) <= COC and abs(level(herons[None], 13)) <= 1 / 6


def test_under_and_over_are_so_many_stops_off_and_nothing_else(herons):
    for word, meant in (("under", -2), ("over", 2)):
        step = herons[word]
        assert step.intended_offset == meant and level(step, 13) == pytest.approx(meant, abs=1 / 6)
        assert step.settings.focus.distance_m == 2.0 and water(step) <= COC
    assert level(herons["over"], 13) - level(herons["under"], 13) == pytest.approx(4, abs=1 / 6)


def test_the_misfocused_picture_blurs_the_heron_by_five_circles_or_somewhat_more(herons):
    s = herons["misfocused"].settings
    # The hedge stands behind: what an autofocus is commonly caught by.
    assert s.focus.subject == "hedge"
    assert 5 <= disc_mm(50, s.aperture.exact, s.focus.distance_m, 2.0) / COC <= 10
    assert abs(level(herons["misfocused"], 13)) <= 1 / 6 and water(herons["misfocused"]) <= COC


def test_the_motion_picture_smears_the_water_by_five_circles_and_not_far_beyond(herons):
    assert 5 <= water(herons["motion"]) / COC <= 20
    assert "the spout" in herons["motion"].caption and herons["motion"].settings.focus.distance_m == 2.0


def test_the_shaken_picture_is_four_times_beyond_the_hand_held_limit(herons):
    assert 4 <= herons["shaken"].settings.time.exact / HAND_HELD_S <= 16
    assert abs(level(herons["shaken"], 13)) <= 1 / 6


def test_only_the_shaken_picture_asks_for_a_hand_on_the_tripod():
    plan = planned({"faults": "heron"}, kit__filters=[ND_8, {"name": "ND 64", "stops": "6"}])
    shaking, seen = False, {}
    for step in plan.steps:
        if step.kind == "operator":
            shaking = step.action == "shake" or (shaking and step.action != "settle")
        elif step.kind == "expose":
            seen[step.goal] = shaking
    assert [goal for goal, shaken in seen.items() if shaken] == ["heron shaken"]


@pytest.mark.parametrize(
    ("goal", "check"),
    [
        ({"show": ["under"], "under": "3 1/3"}, lambda f: level(f["under"], 13) == pytest.approx(-10 / 3, abs=1 / 6)),
        ({"show": ["over"], "over": "1 stop"}, lambda f: level(f["over"], 13) == pytest.approx(1, abs=1 / 6)),
        ({"show": ["shaken"], "shaken": "20"}, lambda f: f["shaken"].settings.time.exact >= 20 * HAND_HELD_S),
        ({"show": ["motion"], "motion": "40"}, lambda f: water(f["motion"]) >= 40 * COC),
        (
            {"show": ["misfocused"], "misfocused": "12"},
            lambda f: 12 <= disc_mm(50, f["misfocused"].settings.aperture.exact,
                                   f["misfocused"].settings.focus.distance_m, 2.0) / COC <= 24,
        ),
    ],
)  # fmt: skip
def test_amounts_of_ones_own_take_the_place_of_the_usual_ones(goal, check):
    (word,) = goal["show"]
    own = by_mistake({"subject": "heron", **goal})
    assert check(own)
    assert "set in the brief" in own[word].criteria[0]
    usual = by_mistake({"subject": "heron", "show": [word]})
    assert "common practice, no source" in usual[word].criteria[0]
    # Negative control: the usual amount does not meet the other one.
    assert not check(usual)


def test_where_no_subject_blurs_enough_the_bare_distance_that_does_is_named():
    near = STILL | {"hedge": {"distance": "2.3 m"}}
    goal = {"subject": "heron", "show": ["misfocused"]}
    step = by_mistake(goal, scene__subjects=near)["misfocused"]
    assert step.settings.focus.subject is None and step.settings.focus.distance_m > 2.0
    s = step.settings
    assert disc_mm(50, s.aperture.exact, s.focus.distance_m, 2.0) / COC == pytest.approx(5, rel=1e-4)


def test_where_nothing_stands_behind_the_focus_goes_wrong_before_the_subject():
    alone = {"heron": {"distance": "2 m"}}
    s = by_mistake({"subject": "heron", "show": ["misfocused"]}, scene__subjects=alone)["misfocused"].settings
    assert 0.45 <= s.focus.distance_m < 2.0
    assert disc_mm(50, s.aperture.exact, s.focus.distance_m, 2.0) / COC == pytest.approx(5, rel=1e-4)
    # Behind, where the lens cannot come near enough.
    lens = {
        "focal_length": "50 mm",
        "aperture": {"from": "f/1.8", "to": "f/22", "step": "1/3"},
        "nearest_focus": "1.95 m",
    }
    s = by_mistake({"subject": "heron", "show": ["misfocused"]}, scene__subjects=alone, kit__lens=lens)
    assert s["misfocused"].settings.focus.distance_m > 2.0


def test_a_moving_subject_is_frozen_in_every_picture_but_those_of_time():
    found = by_mistake("spout")
    assert all(water(found[word]) <= COC * (1 + 1e-9) for word in (None, "under", "over", "misfocused"))
    assert water(found["motion"]) >= 5 * COC


def test_filters_change_only_when_no_choice_without_does():
    both = {"subject": "heron", "show": ["shaken", "motion"]}
    assert len({step.settings.filters for step in reached({"faults": both})}) == 2
    light = {"subject": "heron", "show": ["under", "over", "misfocused"]}
    assert {step.settings.filters for step in reached({"faults": light})} == {()}


def test_motion_in_a_still_scene_cannot_be_had_and_leaving_it_out_can():
    item = refused({"faults": "heron"}, scene__subjects=STILL)
    assert item.reasons == ("nothing in the brief moves across the view, so motion blurs nothing",)
    left = told(r"leave (\w+) out of show", item.remedies)
    rest = [word for word in MISTAKES if word != left]
    assert by_mistake({"subject": "heron", "show": rest}, scene__subjects=STILL)


def test_a_mistake_too_large_is_told_in_numbers_and_a_smaller_one_works():
    goal = {"subject": "heron", "show": ["under", "over"], "over": "10"}
    bright = {"scene__light__ev100": "4", "kit__body__time": {"from": "1/60 s", "to": "4 s", "step": "1/3"},
              "limits__iso_at_most": "100"}  # fmt: skip
    item = refused({"faults": goal}, **bright)
    assert "10 stops over the metered exposure" in item.reasons[0] and "too dark" in item.reasons[0]
    smaller = told(r"mistake over smaller: ([\d.]+) instead of 10", item.remedies)
    assert by_mistake(goal | {"over": smaller}, **bright)


def test_without_a_filter_a_shaken_picture_beside_frozen_water_names_the_filter_to_bring():
    item = refused({"faults": "heron"}, kit__filters=[])
    stops = told(r"filter of (\d+) stops", item.remedies)
    assert reached({"faults": "heron"}, kit__filters=[{"name": "dark", "stops": stops}])
    weaker = int(stops) - 1
    assert weaker == 0 or refused({"faults": "heron"}, kit__filters=[{"name": "dark", "stops": str(weaker)}])


def test_the_usual_amounts_are_marked_as_what_they_are():
    assert faults.AMOUNTS == {"under": 2, "over": 2, "shaken": 4, "misfocused": 5, "motion": 5}


@pytest.mark.parametrize("focal_mm", ["18 mm", "35 mm", "50 mm", "85 mm"])
def test_by_hand_the_longest_time_that_is_planned_there_is_the_shaken_one(focal_mm):
    steps = by_mistake(
        {"subject": "hedge", "show": ["shaken"]}, kit__support="hand", kit__lens__focal_length=focal_mm,
        scene__subjects=STILL,
    )  # fmt: skip
    limit = 1000 / 1 / float(focal_mm.split()[0]) / 1000
    assert limit / 1.3 <= steps["shaken"].settings.time.exact <= limit * 1.13


def test_what_must_be_frozen_for_the_motion_picture_is_named():
    texts = refused({"faults": {"subject": "heron", "show": ["motion", "under"]}}, scene__light__ev100="3").reasons
    assert any("the heron sharp" in text and "the spout still, since motion is to be shown" in text for text in texts)


def as_texts(frames):
    return [[repr(one) for one in demands] for demands in frames]


@pytest.mark.parametrize(
    ("show", "spread", "some"),
    [(["under", "motion"], "1/6", True), (["over", "misfocused"], "1/1000", False), (MISTAKES, "1/6", True)],
)
def test_what_the_widest_way_cannot_no_way_can_and_the_first_that_can_is_taken(show, spread, some):
    goal_of = {"faults": {"subject": "heron", "show": show}}
    found = set()
    for ev in (-2, 13):
        brief = demo(goals=[goal_of], scene__light={"ev100": ev}, limits={"spread": spread})
        situation, goal = situation_of(brief), brief.goals[0]
        ways = list(faults.stages(situation, goal))
        can = [finding.together(situation, goal, way) for way in ways]
        frames, known = finding.frames_and_known(situation, goal)
        assert known == any(can) and can[-1] == any(can)
        assert as_texts(frames) == as_texts(ways[can.index(True)] if known else ways[-1])
        found.add(known)
    assert some in found
