"""The plan as data: what is written, what is refused."""

from __future__ import annotations

import json

import pytest
from support_plans import demo

from plans.compiler import compile_brief, recompile
from plans.errors import BriefError
from plans.plan import nine_digits, plan_json, read_plan


@pytest.fixture(scope="module")
def text():
    return plan_json(compile_brief(demo()))


def test_a_plan_comes_back_the_same_bytes(text):
    assert plan_json(read_plan(text, "plan.json")) == text


def test_steps_carry_the_keys_that_other_programs_count_on(text):
    tree = json.loads(text)
    assert tree["version"] == 1 and tree["unreachable"] == []
    step = next(step for step in tree["steps"] if step.get("goal") == "freeze spout")
    assert step["settings"] == {
        "aperture": {"mark": "f/5.6", "exact": 5.65685425},
        "time": {"mark": "1/2000", "exact": 0.00048828125},
        "iso": {"mark": "800", "exact": 800.0},
        "filters": [],
        "focus": {"subject": "spout", "distance_m": 3.0},
    }
    assert {"id", "kind", "goal", "group", "reference", "held", "changed", "intended_offset", "offset"} <= set(step)
    assert {"near_m", "far_m", "smear_mm"} <= set(step["predicted"]) and step["predicted"]["smear_mm"]["spout"] > 0


def test_numbers_are_written_with_nine_digits_and_never_as_minus_zero(text):
    def numbers(tree):
        if isinstance(tree, dict | list):
            for item in tree.values() if isinstance(tree, dict) else tree:
                yield from numbers(item)
        elif isinstance(tree, float):
            yield tree

    found = list(numbers({key: value for key, value in json.loads(text).items() if key != "inputs"}))
    assert len(found) > 300
    assert all(value == float(f"{value:.9g}") for value in found)
    assert "-0.0," not in text and "-0.0\n" not in text
    assert str(nine_digits(-0.0)) == "0.0" and nine_digits(1 / 3) == 0.333333333


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        (lambda tree: tree | {"version": 2}, "version", "found 2; allowed: 1"),
        (lambda tree: {"stopwright": "1"}, "version", "This is no plan"),
        (lambda tree: tree | {"surprise": 1}, "surprise", "Extra inputs are not permitted"),
        (lambda tree: tree | {"steps": [{"id": "1", "kind": "dance"}]}, "steps[1]", "dance"),
        (lambda tree: [tree], "version", "none"),
    ],
)
def test_what_is_no_plan_of_this_version_is_refused_with_its_field(text, change, field, words):
    with pytest.raises(BriefError) as caught:
        read_plan(json.dumps(change(json.loads(text))), "plan.json")
    assert any(complaint.field == field for complaint in caught.value.complaints)
    assert words in str(caught.value)


@pytest.mark.parametrize("broken", ["", "{", "plan: 1", "[" * 100_000])
def test_text_that_is_no_json_is_refused(broken):
    with pytest.raises(BriefError, match=r"plan\.json.*found text that is no JSON"):
        read_plan(broken, "plan.json")


def test_inputs_that_were_tampered_with_are_told_and_not_compiled(text):
    tree = json.loads(text)
    tree["inputs"]["scales"]["aperture"][0]["exact"] = 1.7777
    plan = read_plan(json.dumps(tree), "plan.json")
    with pytest.raises(BriefError, match=r"inputs\.scales\.aperture.*f/1\.8"):
        recompile(plan, plan.inputs.light, plan.inputs.rig)
    tree = json.loads(text)
    tree["inputs"]["brief"]["goals"] = "none"
    plan = read_plan(json.dumps(tree), "plan.json")
    with pytest.raises(BriefError, match="goals"):
        recompile(plan, plan.inputs.light, plan.inputs.rig)
