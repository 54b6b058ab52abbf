"""Rehearsed pictures differ as their settings say, what stands in is told, and a walk finds what does not fit."""

from __future__ import annotations

import io
from functools import cache

import numpy as np
import pytest
from PIL import Image
from support_goals import planned
from support_plans import demo, group
from support_run import small_plan

from daemon.rehearsing import Rehearsed, groups_of, read_back
from hardware_mocks.rehearsing import rehearse
from hardware_mocks.standing_in import stand_in
from hardware_mocks.walking import walk
from plans.compiler import compile_brief
from plans.plan import OperatorStep, Plan

WIDTH = 600
GOALS = """goals:
  - compare: [{freeze: spout}, {silk: spout}]
    hold: [aperture, focus]
  - isolate: heron
  - deep: {from: heron, to: hedge}
  - bracket: {change: time, by: 1, count: 3, focus: heron}
limits: {iso_at_most: 6400, spread: 1/6}
"""
# Rows and columns of a garden of 1500 x 1000 reference pixels: the middle of the fall, and hedge alone.
WATER, HEDGE = (300, 640, 900, 952), (420, 700, 1150, 1400)


@cache
def shown() -> tuple[Plan, Rehearsed]:
    plan = small_plan(GOALS)
    return plan, rehearse(plan, WIDTH)


def edges(picture: bytes, part: tuple[int, int, int, int]) -> float:
    """Mean step from row to row and from column to column within a part, over its mean. [unitless]"""
    grey = np.asarray(Image.open(io.BytesIO(picture)).convert("L"), float)
    top, bottom, left, right = (round(place * WIDTH / 1500) for place in part)
    cut = grey[top:bottom, left:right]
    return float((np.abs(np.diff(cut, axis=0)).mean() + np.abs(np.diff(cut, axis=1)).mean()) / cut.mean())


def picture_of(goal: str, of: int = 0) -> bytes:
    plan, made = shown()
    names = next(note.steps for note in plan.groups if note.title.lower().startswith(goal))
    return made.pictures[names[of]]


def test_frozen_water_has_edges_that_silk_has_not_and_the_hedge_behind_is_alike() -> None:
    frozen, silk = (picture_of("compare", n) for n in (0, 1))
    assert edges(frozen, WATER) > 2 * edges(silk, WATER)
    assert edges(frozen, HEDGE) == pytest.approx(edges(silk, HEDGE), rel=0.2)  # control: what stands still


def test_the_background_is_softer_when_the_heron_is_isolated_than_when_all_is_deep() -> None:
    assert edges(picture_of("deep"), HEDGE) > 1.5 * edges(picture_of("isolate"), HEDGE)


def test_a_turned_polariser_darkens_the_water_of_the_bowl_in_its_own_picture_and_is_told_as_drawn() -> None:
    ring = {"name": "ring", "kind": "polariser", "stops": "1.3"}
    plan = planned({"polariser": "spout"}, kit__filters=[ring])
    made = rehearse(plan, WIDTH)
    turned = {step.settings.filters[0].turned: made.pictures[step.id] for step in plan.exposing}

    def grey(turn: str, top: int, bottom: int, left: int, right: int) -> float:
        picture = np.asarray(Image.open(io.BytesIO(turned[turn])).convert("L"), float)  # type: ignore[index]
        return float(picture[top:bottom, left:right].mean())

    bowl, heron = (284, 308, 402, 470), (208, 228, 156, 174)
    assert grey("most", *bowl) < 0.6 * grey("least", *bowl)
    assert grey("most", *heron) == pytest.approx(grey("least", *heron), rel=0.02)  # control: stone
    assert any("60 degrees from the upright" in line for line in made.unknown)


def test_brightness_read_from_the_pictures_is_what_the_plan_means_and_another_light_is_not(tmp_path) -> None:
    plan, made = shown()
    files = {}
    for number, (name, content) in enumerate(made.pictures.items()):
        files[name] = tmp_path / f"{number}.jpg"
        files[name].write_bytes(content)
    read = read_back(plan, files)
    steps = [step for step in plan.exposing if step.reference != step.id]
    assert len(steps) == 3
    for step in steps:
        told = read[step.id]
        assert told.read == pytest.approx(told.meant, abs=0.03), step.id
    assert sorted(round(read[step.id].meant) for step in steps) == [-1, 0, 1]
    # Control: a picture of a third of a stop less light is seen to be darker.
    name = steps[0].id
    darker = plan.model_copy(
        update={"inputs": plan.inputs.model_copy(
            update={"light": plan.inputs.light.model_copy(update={"ev100": plan.inputs.light.ev100 - 1 / 3})}
        )}
    )  # fmt: skip
    files[name].write_bytes(rehearse(darker, WIDTH).pictures[name])
    assert abs(read_back(plan, files)[name].read - read[name].meant) > 0.25


def test_subjects_of_any_name_take_their_distances_and_speeds_into_the_garden() -> None:
    brief = demo(
        scene__subjects={
            "Runner - 2_x": {"distance": "5 m", "speed": "4 m/s", "direction": "30 deg"},
            "null": {"distance": "1.5 m"},
            "stars": {"distance": "3000 km"},
            "second runner": {"distance": "6 m", "speed": "1 m/s"},
            "bench": {"distance": "4 m"},
        },
        goals=[{"freeze": "Runner - 2_x"}],
    )
    made = stand_in(brief)
    far = made.script.distances
    assert (far.spout_m, far.heron_m, far.hedge_m) == (5.0, 1.5, 1e6)
    assert far.speed_m_s == pytest.approx(2.0)  # across the view: 4 m/s at 30 degrees
    told = " | ".join(made.mapped)
    assert "Runner - 2_x is the fountain's water, at 5 m, 2 m/s" in told
    assert "null is the stone heron" in told and "stars is the yew hedge" in told
    assert "second runner is not drawn" in told and "bench is not drawn" in told


def test_what_is_nearer_than_the_garden_begins_is_told() -> None:
    brief = demo(
        kit__lens__nearest_focus="0.1 m",
        scene__subjects={"moss": {"distance": "0.15 m"}, "wall": {"distance": "1 m"}},
        goals=[{"ladder": {"change": "aperture", "by": "1", "balance": "time", "focus": "moss"}}],
    )
    made = stand_in(brief)
    assert made.script.distances.heron_m == 0.2 and "the brief has 0.15 m" in made.mapped[0]
    assert made.script.glass.breathing == -1.0 and stand_in(demo()).script.glass.breathing is None


def test_pictures_that_lack_what_they_are_to_show_say_so_in_their_own_group() -> None:
    zoom = {"from": "24 mm", "to": "70 mm", "set": "50 mm"}
    goals = [
        {"perspective": {"subject": "heron", "focal_lengths": ["24 mm", "50 mm"]}},
        {"bracket": {"change": "time", "by": "1", "count": "3", "focus": "heron"}},
    ]
    plan = compile_brief(demo(kit__lens__focal_length=zoom, goals=goals))
    made = rehearse(plan, 300)
    groups = groups_of(plan, made, {}, {})
    lacks = {group.title.split()[0]: [note for note in group.notes if "NOT SHOWN" in note] for group in groups}
    assert len(lacks["perspective"]) == 1 and "focal length" in lacks["perspective"][0]
    assert [notes for title, notes in lacks.items() if title != "perspective"] == [[]]
    assert all("heron is the stone heron" in group.notes[0] for group in groups)
    assert len(made.pictures) == 5 and len(set(made.pictures.values())) == 5


def test_a_walk_over_the_demo_tells_hands_in_order_and_finds_nothing_wrong() -> None:
    brief = demo()
    plan = compile_brief(brief)
    walked = walk(plan, brief)
    assert walked.wrong == () and walked.steps == len(plan.steps)
    assert [hand.step for hand in walked.hands] == [s.id for s in plan.steps if isinstance(s, OperatorStep)]
    assert [hand.at_s for hand in walked.hands] == sorted(hand.at_s for hand in walked.hands)
    assert walked.duration_s == pytest.approx(plan.estimate.duration_s)
    assert walked.settings == 3 * (plan.estimate.frames + plan.estimate.control_frames)


@pytest.mark.parametrize("action", ["filters", "focus"])
def test_a_walk_finds_hands_that_were_left_out(action: str) -> None:
    brief = demo()
    plan = compile_brief(brief)
    last = [step for step in plan.steps if isinstance(step, OperatorStep) and step.action == action][-1]
    kept = tuple(step for step in plan.steps if step is not last)
    wrong = walk(plan.model_copy(update={"steps": kept}), brief).wrong
    assert wrong and all("hands left" in text for text in wrong)


def test_a_walk_finds_a_mark_that_the_kit_has_not() -> None:
    brief = demo()
    plan = compile_brief(brief)
    used = group(plan, plan.groups[0].id)[0].settings.aperture
    scales = dict(plan.inputs.scales)
    scales["aperture"] = tuple(value for value in scales["aperture"] if value != used)
    inputs = plan.inputs.model_copy(update={"scales": scales})
    wrong = walk(plan.model_copy(update={"inputs": inputs}), brief).wrong
    assert wrong and used.mark in wrong[0]
