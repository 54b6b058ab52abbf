"""The plan in plain words: nothing left out, no line too long, every number the plan's own."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from support_plans import demo

from plans.compiler import compile_brief
from plans.explain import explain
from plans.goals import words
from plans.plan import plan_json, read_plan
from plans.reading import read_brief
from plans.rehearsal import estimate, summary, to_bring

BRIEFS = Path(__file__).parents[1] / "briefs"


@pytest.fixture(scope="module")
def plan():
    return compile_brief(demo())


@pytest.fixture(scope="module")
def unreachable():
    path = BRIEFS / "unreachable.yaml"
    return compile_brief(read_brief(path.read_text(encoding="utf-8"), path.name))


def flat(text):
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("which", ["plan", "unreachable"])
def test_no_line_is_longer_than_80_columns(which, request):
    made = request.getfixturevalue(which)
    for text in (explain(made), summary(made)):
        assert max(map(len, text.splitlines())) <= 80


def test_a_word_longer_than_the_line_is_broken_and_not_let_through():
    name = "heron" * 8
    long = demo(scene__subjects={name: {"distance": "2 m"}}, goals=[{"isolate": name}], title="x" * 200)
    assert max(map(len, explain(compile_brief(long)).splitlines())) <= 80


def test_every_step_is_told_with_its_settings_its_change_and_what_it_does_to_the_picture(plan):
    text = flat(explain(plan))
    for step in plan.steps:
        assert f"{step.id} " in text
    assert "f/5.6, 1/4 s, ISO 100, ND 64, focused on the spout at 3 m" in text
    assert "against 03-expose: exposure time 1/2000 s to 1/4 s; ISO 800 to ISO 100; filters no filter to ND 64" in text
    assert "held: aperture and focus" in text
    for step in plan.exposing:
        seen = step.predicted
        assert f"sharp from {words.metres(seen.near_m)} to {words.metres(seen.far_m)}" in text
        assert f"the spout smears {words.millimetres(seen.smear_mm['spout'])}" in text
        assert f"spreads to {words.millimetres(seen.background_disc_mm)}" in text
        assert f"diffraction spreads every point to {words.millimetres(seen.airy_mm)}" in text
        assert flat(step.caption) in text
    assert "ISO: 3 stops above the lowest native one" in text and "ISO: the lowest native one" in text


def test_what_must_be_in_the_bag_what_is_left_out_and_what_it_costs_are_in_the_summary(plan):
    text = flat(summary(plan))
    assert "In the bag: ND 64." in text and to_bring(plan) == ("ND 64",)
    assert "24 pictures, 1 metering frame; hands are needed 6 times" in text
    assert "f/2 is left out" in text
    assert "EV 13, as the brief says" in text


def test_the_estimate_counts_what_is_in_the_steps(plan):
    counted = estimate(plan.steps)
    assert counted == plan.estimate
    assert counted.frames == len(plan.exposing) == 24
    assert counted.operator_actions == sum(step.kind == "operator" for step in plan.steps)
    opened = sum(step.settings.time.exact for step in plan.steps if step.kind != "operator")
    assert counted.exposure_s == pytest.approx(opened)


def test_cautions_are_told_at_their_step_and_no_other(plan):
    text = explain(plan)
    assert text.count("CAUTION") == 2
    assert text.index("01-operator") < text.index("slippery") < text.index("02-control")


def test_goals_out_of_reach_are_told_with_reasons_and_remedies(unreachable):
    text = flat(explain(unreachable))
    for item in unreachable.unreachable:
        assert f"NOT REACHABLE {item.goal}" in text
        for line in (*item.reasons, *item.remedies):
            assert flat(line) in text


def test_a_plan_without_a_tripod_says_what_that_costs():
    text = flat(explain(compile_brief(demo(kit__support="hand"))))
    # The hand-held rule, common practice: 1/50 s at 50 mm on full frame.
    assert "without a tripod" in text and "Times longer than 1/50 s" in text


def test_a_plan_read_back_is_explained_in_the_same_words(plan):
    assert explain(read_plan(plan_json(plan), "p")) == explain(plan)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (2.0, "2"), (12.04, "12"), (0.123456, "0.123"), (1234.5, "1234"), (0, "0"), (1e-5, "0.00001"), (13.0, "13"),
        (99.96, "100"),
    ],
)  # fmt: skip
def test_numbers_in_sentences_have_three_figures_and_no_exponent(value, text):
    assert words.figures(value) == text


@pytest.mark.parametrize(
    ("value", "text"), [(1.0, "1 stop"), (0.5, "0.50 stop"), (2.0, "2 stops"), (1.26, "1.3 stops")]
)
def test_stops_are_counted_in_the_right_number(value, text):
    assert words.stops(value) == text


@pytest.mark.parametrize(
    ("value", "text"), [(1 / 2048, "1/2048 s"), (1 / 16, "1/16 s"), (0.25, "1/4 s"), (2.52, "2.5 s")]
)
def test_exact_times_are_written_as_people_write_times(value, text):
    assert words.seconds(value) == text
