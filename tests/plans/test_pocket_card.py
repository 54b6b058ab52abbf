"""The pocket card as text: every picture once and in order, in 40 columns, with all that hands and eyes must know."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_plans import demo

from plans.cautions import cautions_for
from plans.compiler import compile_brief
from plans.explain import brief_of
from plans.plan import ControlStep, FilterValue, MarkValue, OperatorStep
from plans.pocket_card import COLUMNS, card, card_text, tied
from plans.rehearsal import estimate
from plans.scene import Site


@pytest.fixture(scope="module")
def brief():
    return demo()


@pytest.fixture(scope="module")
def plan(brief):
    made = compile_brief(brief)
    steps, left = cautions_for(brief, made.steps, None)
    return made.model_copy(update={"steps": tuple(steps), "cautions": left})


def flat(text):
    return re.sub(r"[\s!]+", " ", text)


def frames(text):
    """The lines of pictures, as somebody with the card in hand reads them: number, aperture, time, ISO, the rest."""
    row = re.compile(r"^\[ \] ( \d|\d+) +(f/[\d.]+) +(\S+) s +ISO (\d+) *(.*)$", re.MULTILINE)
    return [tuple(cell.strip() for cell in found.groups()) for found in row.finditer(text)]


def with_steps(plan, change):
    """The plan with each picture's settings changed."""
    steps = [
        step.model_copy(update={"settings": change(step.settings)}) if step.kind == "expose" else step
        for step in plan.steps
    ]
    return plan.model_copy(update={"steps": tuple(steps)})


def test_every_picture_of_the_plan_stands_on_the_card_once_and_in_order(plan, brief):
    read = frames(card_text(card(plan, brief)))
    wanted = []
    for number, step in enumerate(plan.exposing, 1):
        s, more = step.settings, [item.name for item in step.settings.filters]
        if step.intended_offset:
            more.insert(0, f"{step.intended_offset:+g}".replace("-", "\N{MINUS SIGN}"))
        wanted.append((str(number), s.aperture.mark, s.time.mark, s.iso.mark, " ".join(more)))
    assert read == wanted and len(read) == 24
    assert {more for *_, more in read} == {"", "ND 64", "+1", "+2", "\N{MINUS SIGN}1", "\N{MINUS SIGN}2"}


def test_what_hands_do_stands_between_the_pictures_that_it_lies_between(plan, brief):
    text = flat(card_text(card(plan, brief)))
    at = 0
    number = 0
    for step in plan.steps:
        if isinstance(step, OperatorStep):
            at = text.index(f"[ ] {flat(step.text)}", at)
        elif step.kind == "expose":
            number += 1
            at = text.index(f"[ ] {number} {step.settings.aperture.mark} {step.settings.time.mark} s", at)
        for caution in step.cautions:
            assert text.count(flat(caution)) == 1
            # Before the box that it belongs to.
            assert text.index(flat(caution)) < at
    assert sum(len(step.cautions) for step in plan.steps) == 2


def test_metering_and_check_frames_stand_on_the_card_with_what_to_do_about_them(plan, brief):
    text = card_text(card(plan, brief))
    control = [step for step in plan.steps if isinstance(step, ControlStep)]
    assert text.count("== METER") == 1
    assert text.count("== CHECK") == sum(step.purpose == "check" for step in control) == len(control) - 1
    assert "Give every picture a stop more, by time or ISO." in flat(text)


def test_there_is_a_box_for_everything_to_do_and_for_nothing_else(plan, brief):
    made = card(plan, brief)
    boxes = [line for block in made.blocks for line in block.lines if line.kind in ("do", "frame")]
    assert card_text(made).count("[ ]") == len(boxes)
    hands = sum(isinstance(step, OperatorStep) for step in plan.steps)
    shot = sum(not isinstance(step, OperatorStep) for step in plan.steps)
    ready = 4 + 3  # the camera made ready, and the end
    assert len(boxes) == hands + shot + ready


def test_each_group_says_where_to_focus_and_what_to_look_at(plan, brief):
    text = flat(card_text(card(plan, brief)))
    for words in (
        "compare freeze spout and silk spout (goal 1) focus: spout, 3 m",
        ": the spout: no streaks, seen enlarged",
        ": the spout drawn out; what stands still is sharp",
        ": the heron sharp whole, background soft",
        ": near and far end sharp, seen enlarged, but the spout smeared",
        ": all equally bright; framing as before",
        ": even steps from dark to bright",
    ):
        assert words in text


def test_the_head_says_when_in_which_light_and_how_much(plan, brief):
    known = plan.model_copy(update={"estimate": estimate(plan.steps, brief.kit, brief.scene)})
    head = flat(card_text(card(known, brief))).split("== CAMERA")[0]
    hands = known.estimate.operator_actions
    assert "FOUNTAIN, TUESDAY CLASS 2026-10-20 15:30 EV 13, as the brief says" in head
    assert f"24 pictures, hands {hands} times, about " in head
    counts = estimate(plan.steps)
    bare = flat(card_text(card(plan.model_copy(update={"estimate": counts}), None))).split("== CAMERA")[0]
    assert "about" not in bare and "2026" not in bare


def test_at_the_coast_the_time_to_leave_is_on_top_and_with_every_page(plan, brief):
    scene = brief.scene.model_copy(update={"site": Site(near=("coast",), high_water="16:40", leave_by="15:50")})
    made = card(plan, brief.model_copy(update={"scene": scene}))
    assert made.reminder == "leave by 15:50; high water 16:40"
    assert "== LEAVE BY 15:50; HIGH WATER 16:40" in card_text(made).split("== CAMERA")[0]
    assert card(plan, brief).reminder == ""


def test_bulb_times_a_turned_polariser_and_a_focal_length_stand_beside_the_picture(plan, brief):
    def long(s):
        polariser = FilterValue(name="turner", stops=1.3, turned="most")
        time = MarkValue(mark="60", exact=64.0)
        return s.model_copy(update={"time": time, "filters": (polariser,), "focal_length_mm": 85.0})

    body = brief.kit.body.model_copy(update={"bulb_above_s": 32.0})
    slow = brief.model_copy(update={"kit": brief.kit.model_copy(update={"body": body})})
    text = flat(card_text(card(with_steps(plan, long), slow)))
    assert "60 s ISO 800 bulb 85 mm turner (reflections weakest)" in text
    assert "bulb" not in card_text(card(with_steps(plan, long), brief))


def test_goals_that_cannot_be_shown_and_cautions_of_the_whole_plan_are_on_the_card(plan, brief):
    blind = demo(kit__support="hand", goals=[{"freeze": "spout"}, {"deep": {"from": "heron", "to": "hedge"}}])
    far = compile_brief(demo(kit__support="hand", kit__lens__aperture={"marks": ["f/2"]}, goals=blind.source["goals"]))
    steps, left = cautions_for(blind, far.steps, None)
    assert far.unreachable and left
    text = flat(card_text(card(far.model_copy(update={"steps": tuple(steps), "cautions": left}), blind)))
    assert "cannot be shown here: deep from heron to hedge" in text
    assert flat(left[0]) in text
    assert "stabiliser off" not in text.split("== CAMERA")[1].split("==")[0]  # held by hand it stays on


NAMES = st.text(st.sampled_from("abcdef ghiW/-鷺"), min_size=1, max_size=90)


@settings(max_examples=40, deadline=None)
@given(title=NAMES, name=NAMES, mark=st.text("0123456789/.", min_size=1, max_size=30), number=st.integers(0, 3))
def test_no_line_is_wider_than_forty_columns_whatever_the_names(plan, title, name, mark, number):
    filters = (FilterValue(name=name, stops=3.0),) * number
    odd = with_steps(plan, lambda s: s.model_copy(update={"time": MarkValue(mark=mark, exact=1.0), "filters": filters}))
    text = card_text(card(odd.model_copy(update={"title": title}), None))
    assert max(map(len, text.splitlines())) <= COLUMNS
    assert len(text) > 2000


def test_a_plan_read_without_its_brief_has_a_card(plan):
    bare = plan.model_copy(update={"inputs": plan.inputs.model_copy(update={"brief": {}})})
    assert brief_of(bare) is None
    assert frames(card_text(card(bare, brief_of(bare)))) == frames(card_text(card(plan, None)))


def test_numbers_stay_with_their_units():
    space = "\N{NO-BREAK SPACE}"
    assert tied("2 m away, 85 mm, 1 stop, at 2 meters") == f"2{space}m away, 85{space}mm, 1{space}stop, at 2 meters"
