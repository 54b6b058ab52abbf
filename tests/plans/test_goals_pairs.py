"""Perspective and the polariser pair: distances by the thin lens, angles by Snell's law, reckoned here."""

from __future__ import annotations

import math

import pytest
from support_goals import (
    ND_8,
    POLARISER,
    ZOOM,
    behind_mm,
    level,
    magnification,
    planned,
    reached,
    refused,
    situation_of,
    told,
)
from support_plans import demo

from plans import optics
from plans.goals import diagnosis, finding
from plans.plan import OperatorStep

VIEWS = {"perspective": {"subject": "heron", "focal_lengths": ["24 mm", "50 mm", "70 mm"]}}


def by_focal_length(goal=VIEWS, **changes):
    changes = {"kit__lens": ZOOM} | changes
    return {step.settings.focal_length_mm: step for step in reached(goal, **changes)}


# Perspective


def test_the_heron_is_equally_large_at_each_focal_length():
    steps = by_focal_length()
    assert sorted(steps) == [24, 50, 70]
    sizes = {f: magnification(f, step.settings.focus.distance_m) for f, step in steps.items()}
    assert list(sizes.values()) == pytest.approx([magnification(50, 2.0)] * 3)
    assert steps[50].settings.focus.distance_m == 2.0
    # Negative control: from where it stands it is not.
    assert magnification(24, 2.0) == pytest.approx(sizes[50] / 2.1, rel=0.02)


def test_what_stands_behind_grows_with_the_focal_length_by_the_ratio_of_distances():
    for focal, step in by_focal_length().items():
        s = step.settings.focus.distance_m
        hedge = 8.0 + (s - 2.0)  # the tripod moves, the hedge stays
        sensor = behind_mm(focal, s)
        ratio = (sensor / (hedge * 1000)) / (sensor / (s * 1000))
        assert f"looks {round(ratio * 100)} % as large" in step.caption
        assert f"from {s:.3g} m" in step.caption


def test_everything_but_place_and_focal_length_is_held_at_an_aperture_that_all_have():
    plan = planned(VIEWS, kit__lens=ZOOM, scene__light__ev100="-3")
    steps = plan.exposing
    assert len({(s.settings.aperture.mark, s.settings.time.mark, s.settings.iso.mark) for s in steps}) == 1
    # In this little light the widest is best, and at 50 and 70 mm the lens opens to f/5.6 only.
    assert {step.settings.aperture.mark for step in steps} == {"f/5.6"}
    wide = {"perspective": {"subject": "heron", "focal_lengths": ["24 mm", "50 mm"]}}
    constant = ZOOM | {"widest": {"70 mm": "f/2.8"}}
    other = by_focal_length(wide, kit__lens=constant, scene__light__ev100="-3")
    assert {step.settings.aperture.mark for step in other.values()} == {"f/2.8"}
    moves = [step for step in plan.steps if isinstance(step, OperatorStep) and step.action == "move"]
    assert len(moves) >= 2


def test_views_shot_from_the_hand_are_as_short_as_the_longest_of_them_wants():
    dim = {"kit__support": "hand", "scene__light__ev100": "9"}
    (time,) = {step.settings.time.exact for step in by_focal_length(**dim).values()}
    assert time <= 1 / 70 * 1.01  # 1/f: common practice
    # Negative control: without the 70 mm, 1/50 s would do, and is taken.
    shorter = {"perspective": {"subject": "heron", "focal_lengths": ["24 mm", "50 mm"]}}
    assert min(step.settings.time.exact for step in by_focal_length(shorter, **dim).values()) > 1 / 60


def test_brightness_is_the_same_because_the_magnification_is():
    for focal, step in by_focal_length().items():
        assert step.offset == pytest.approx(level(step, 13, focal), abs=2e-4)


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"kit__lens": demo().source["kit"]["lens"]}, "24 mm and 70 mm are asked for; this lens is fixed at 50 mm"),
        ({"kit__lens": ZOOM | {"nearest_focus": "1 m"}}, "0.96 m from the heron; this lens focuses no nearer than 1 m"),
        ({"scene__subjects__spout": {"distance": "0.9 m"}}, "1.04 m nearer than now, where the spout is in its way"),
        ({"scene__light__ev100": "-10"}, "the brightest choice there is, comes out 4.1 stops too dark"),
    ],
)
def test_views_that_cannot_be_had_say_why(changes, reason):
    item = refused(VIEWS, **({"kit__lens": ZOOM} | changes))
    assert reason in item.reasons[0]


def test_a_fixed_lens_names_the_zoom_to_bring_and_the_focal_lengths_that_can_be_had():
    item = refused(VIEWS)
    assert "zooms from 24 mm to 70 mm" in item.remedies[0]
    like_this = {key: value for key, value in ZOOM.items() if key != "widest"}
    assert reached(VIEWS, kit__lens=like_this | {"aperture": demo().source["kit"]["lens"]["aperture"]})
    longer = {"perspective": {"subject": "heron", "focal_lengths": ["24 mm", "50 mm", "100 mm"]}}
    item = refused(longer, kit__lens=ZOOM)
    assert "100 mm is asked for; this lens goes from 24 mm to 70 mm" in item.reasons[0]
    kept = told(r"focal lengths that can be had: (.+)$", item.remedies)
    assert kept == "24 mm and 50 mm"
    assert reached({"perspective": {"subject": "heron", "focal_lengths": kept.split(" and ")}}, kit__lens=ZOOM)


def test_stepping_back_from_what_is_in_the_way_works():
    spout = {"distance": "0.9 m"}
    item = refused(VIEWS, kit__lens=ZOOM, scene__subjects__spout=spout)
    back = float(told(r"step back ([\d.]+) m", item.remedies))
    there = {"spout": f"{0.9 + back:.3f} m", "heron": f"{2 + back:.3f} m", "hedge": f"{8 + back:.3f} m"}
    subjects = {name: {"distance": distance} for name, distance in there.items()}
    assert reached(VIEWS, kit__lens=ZOOM, scene__subjects=subjects)


# Polariser


def test_the_pair_differs_by_the_turn_of_the_polariser_alone():
    plan = planned({"polariser": "spout"}, kit__filters=[ND_8, POLARISER])
    steps = plan.exposing
    assert {step.settings.filters[0].turned for step in steps} == {"least", "most"}
    assert len({(s.settings.aperture, s.settings.time, s.settings.iso, s.settings.focus) for s in steps}) == 1
    for step in steps:
        assert [item.name for item in step.settings.filters] == ["polariser"]
        assert level(step, 13) == pytest.approx(0, abs=1 / 6)
    most = next(step for step in steps if step.settings.filters[0].turned == "most")
    assert "depends on the angle" in most.caption
    assert all("cannot be known beforehand" in step.criteria[1] for step in steps)


def test_a_polariser_alone_is_put_before_a_long_time_through_another_filter_too():
    veil = {"silk": {"subject": "spout", "grade": "veil"}}
    bag = [{"name": "ND 1000", "density": "3.0"}, POLARISER]
    plan = planned(veil, {"polariser": "spout"}, kit__filters=bag)
    pair = [step for step in plan.exposing if step.goal.startswith("polariser")]
    assert all([item.name for item in step.settings.filters] == ["polariser"] for step in pair)
    assert all(step.settings.time.exact <= 1 for step in pair)
    assert any("ND 1000" in {item.name for item in step.settings.filters} for step in plan.exposing)
    # 2 stops turned to take reflections away, 1.3 else: a grey stone gets 0.7 stop darker, and that is said.
    most = next(step for step in pair if step.settings.filters[0].turned == "most")
    assert "0.70 stop more when turned so" in most.criteria[-1]


def test_water_polarises_most_where_the_reflected_and_the_refracted_ray_stand_at_right_angles():
    # Snell's law with n = 1.33 (water; common value): there sin(a) = n sin(90 - a).
    angle = optics.brewster_deg(1.33)
    assert math.sin(math.radians(angle)) == pytest.approx(1.33 * math.sin(math.radians(90 - angle)))
    assert angle == pytest.approx(53.1, abs=0.1)
    (step, _) = reached({"polariser": "spout"}, kit__filters=[POLARISER])
    assert "53° from the upright" in step.criteria[1] and "37° above" in step.criteria[1]


def test_a_polariser_is_used_by_no_goal_that_does_not_ask_for_it():
    # Silk wants two stops less light; the polariser would give some of them and change what is seen.
    bag = [{"name": "polariser", "stops": "2", "kind": "polariser"}]
    item = refused({"silk": "spout"}, kit__filters=bag)
    assert "without a filter" in item.reasons[0]
    assert reached({"silk": "spout"}, kit__filters=[{"name": "ND 4", "stops": "2"}])


def test_two_polarisers_are_never_stacked_for_the_pair():
    bag = [POLARISER, {"name": "second", "stops": "1.5", "kind": "polariser"}]
    for step in reached({"polariser": "heron"}, kit__filters=bag):
        assert len(step.settings.filters) == 1


def test_without_a_polariser_in_the_bag_bringing_one_is_what_helps():
    item = refused({"polariser": "heron"})
    assert item.reasons == ("no polariser is in the bag: it holds ND 8 and ND 64",)
    stops = told(r"bring a polariser \(tried with one that takes ([\d.]+) stops", item.remedies)
    bag = [{"name": "polariser", "stops": stops, "kind": "polariser"}]
    assert reached({"polariser": "heron"}, kit__filters=bag)


def test_too_little_light_through_a_polariser_is_told_by_the_brightest_choice_through_it():
    dark = {"kit__filters": [POLARISER], "scene__light__ev100": "-10"}
    item = refused({"polariser": "heron"}, **dark)
    assert "through polariser, the brightest choice there is" in item.reasons[0]
    raised = told(r"iso_at_most from 6400 to (\d+)", item.remedies)
    assert reached({"polariser": "heron"}, **dark, limits__iso_at_most=raised)


# What other rooms count on


def test_each_goal_says_how_many_frames_it_has_what_they_hold_and_which_is_the_reference():
    goals = [VIEWS, {"polariser": "heron"}, {"faults": {"subject": "heron", "show": ["under", "over"]}},
             {"focus-bracket": {"from": "heron", "to": "hedge"}}]  # fmt: skip
    brief = demo(goals=goals, kit__lens=ZOOM, kit__filters=[POLARISER])
    expected = [
        (3, {"aperture", "time", "iso", "filters"}),
        (2, {"aperture", "time", "iso", "filters", "focus"}),
        (3, {"aperture"}),
        (3, {"aperture", "time", "iso", "filters"}),
    ]
    for goal, (count, held) in zip(brief.goals, expected, strict=True):
        frames = finding.frames(situation_of(brief), goal)
        assert len(frames) == count and set(finding.hold(goal)) == held
        assert finding.reference(goal) == 0 and not finding.is_series(goal)
    three = [{"isolate": "heron"}, {"freeze": "spout"}, {"silk": "spout"}]
    together = demo(goals=[{"compare": three, "hold": ["aperture", "time", "iso", "filters"]}])
    # Held in everything, frozen water and silk exclude each other, whatever the first and the last frame could have.
    assert not diagnosis.reachable(situation_of(together), together.goals[0])
    ladder = demo().goals[3]
    assert finding.is_series(ladder)
    with pytest.raises(ValueError, match="found by its own search"):
        finding.frames(situation_of(brief), ladder)
