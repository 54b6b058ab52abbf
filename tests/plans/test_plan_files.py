"""Plan files as somebody hands them in: those that Stopwright wrote are taken, those that were edited are refused."""

from __future__ import annotations

import copy
import json
import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support_plans import demo

from plans.brief import Brief
from plans.compiler import compile_brief, recompile
from plans.errors import BriefError
from plans.plan import LightBasis, OperatorStep, Plan, Rig, plan_json, read_plan
from plans.plan_reading import read_given_plan
from plans.reading import brief_from_tree, read_brief
from plans.stops import KINDS, Scale, Series, series_marks

TESTS = Path(__file__).parent.parent
WRITTEN = plan_json(compile_brief(demo()))
Tree = dict[str, Any]
FEW_GOALS = [
    {"compare": [{"freeze": "spout"}, {"silk": "spout"}], "hold": ["aperture", "focus"]},
    {"deep": {"from": "heron", "to": "hedge"}},
    {"isolate": "heron"},
]


def refusal(text: str) -> str:
    """What is said of a plan file that must be refused: every complaint names the file and what to do."""
    with pytest.raises(BriefError) as caught:
        read_given_plan(text, "plan.json")
    assert all(one.file == "plan.json" and "ompile the brief again" in one.advice for one in caught.value.complaints)
    assert 1 <= len(caught.value.complaints) <= 100
    told = str(caught.value)
    assert all(letter == "\n" or letter.isprintable() for letter in told)
    return told


def edited(change: Callable[[Tree], Any]) -> str:
    """The demo's plan with an edit, as JSON."""
    tree = json.loads(WRITTEN)
    change(tree)
    return json.dumps(tree)


def taken(plan: Plan) -> None:
    """A plan that was compiled must be taken from its file, as the bytes that were written."""
    assert plan_json(read_given_plan(plan_json(plan), "plan.json")) == plan_json(plan)


def few() -> Plan:
    """A short plan with hands, filters, groups of one and of two, and a focus on a bare distance."""
    return compile_brief(demo(goals=FEW_GOALS))


# -- what Stopwright wrote is taken ------------------------------------------------------------------------------------


def test_the_plan_as_compiled_is_taken_from_its_file() -> None:
    assert plan_json(read_given_plan(WRITTEN, "plan.json")) == WRITTEN
    path = TESTS / "briefs" / "unreachable.yaml"
    taken(compile_brief(read_brief(path.read_text(encoding="utf-8"), path.name)))


def test_a_light_with_more_digits_than_are_written_does_not_make_its_plan_another() -> None:
    # Subjects so far off that the magnification takes nothing: offsets then lie on the very edge of the tolerance.
    far = {"distance": "900000 km"}
    goals = [{"bracket": {"change": "time", "by": "1", "count": "3", "focus": "hedge"}}]
    for sixths in range(79, 91):
        taken(compile_brief(demo(goals=goals, scene__light__ev100=f"{sixths}/6", scene__subjects__hedge=far)))
    rest = random.Random(7)
    plan = few()
    for _ in range(10):
        light = LightBasis(ev100=rest.uniform(8, 16), origin="metered")
        taken(recompile(plan, light, Rig()))


def test_a_plan_made_again_for_the_light_as_metered_is_taken_wherever_hands_had_focused() -> None:
    heron = {"distance": "1.7123456789 m", "depth": "0.2 m"}  # from there to the hedge no subject stands to focus on
    plan = compile_brief(demo(goals=FEW_GOALS, scene__subjects__heron=heron))
    bare = [step.settings for step in plan.exposing if step.settings.focus.subject is None]
    assert bare  # a distance with more digits than are written
    for settings in {step.settings.focus.distance_m: step.settings for step in plan.exposing}.values():
        for metered in (True, False):
            rig = Rig(focus=settings.focus, filters=settings.filters, metered=metered)
            taken(recompile(plan, LightBasis(ev100=12.87654321098, origin="metered"), rig))


@pytest.mark.parametrize("series", ["full", "halves", "thirds"])
def test_a_plan_for_the_connected_camera_s_scales_is_taken(series: Series) -> None:
    offered = {kind: Scale(kind, series_marks(kind, series), series) for kind in KINDS}
    taken(compile_brief(demo(goals=FEW_GOALS), scales=offered))
    tree = copy.deepcopy(demo(goals=FEW_GOALS).source)
    tree["kit"]["body"] |= {"iso": "camera", "time": "camera"}
    tree["kit"]["lens"]["aperture"] = "camera"
    left: Brief = brief_from_tree(tree, camera_scales=offered)
    taken(compile_brief(left))


# -- what was edited is refused ----------------------------------------------------------------------------------------


def no_hands(tree: Tree) -> None:
    tree["steps"] = [step for step in tree["steps"] if step["kind"] != "operator"]


def no_metering(tree: Tree) -> None:
    tree["steps"] = [step for step in tree["steps"] if step["kind"] != "control"]


def put(path: str, value: Any) -> Callable[[Tree], None]:
    """An edit: ``value`` at a place like ``steps.2.offset``, lists counted from 0."""

    def change(tree: Tree) -> None:
        place: Any = tree
        *above, last = [int(part) if part.isdecimal() else part for part in path.split(".")]
        for part in above:
            place = place[part]
        place[last] = value

    return change


def scales(tree: Tree) -> Any:
    return tree["inputs"]["scales"]


STEPS = json.loads(WRITTEN)["steps"]
AT, FRAME = next((n, step) for n, step in enumerate(STEPS) if step["kind"] == "expose")  # the first picture
ELSEWHERE = next(step["id"] for step in STEPS if step["kind"] == "expose" and step["group"] != FRAME["group"])
LATER = next(n for n, step in enumerate(STEPS) if step["kind"] == "expose" and n > AT)
HERE, SET = f"steps[{AT + 1}]", f"steps.{AT}.settings"
MARK, EXACT = FRAME["settings"]["time"]["mark"], FRAME["settings"]["time"]["exact"]
FILTER = {"name": "ND 8", "stops": 1e308}
NEAR = {"subject": None, "distance_m": 0.01}
DEEP = json.loads("[" * 150 + "]" * 150)
EDITS: dict[str, tuple[Callable[[Tree], Any], str]] = {
    # numbers
    "not a number": (put(f"steps.{AT}.offset", float("nan")), f"{HERE}.offset: found nan; allowed: a number"),
    "not a number, as text": (put(f"steps.{AT}.offset", "nan"), f"{HERE}.offset: found nan"),
    "infinity": (put("inputs.light.ev100", float("inf")), "inputs.light.ev100: found inf"),
    "a huge time": (put(f"{SET}.time.exact", 1e308), f"{HERE}.settings.time.exact: found 1e+308"),
    "a huge filter": (put(f"{SET}.filters", [FILTER]), f"{HERE}.settings.filters[1].stops: found 1e+308"),
    "a time of zero": (put(f"{SET}.time.exact", 0), "time.exact: found 0.0; allowed: a number from 1e-09 to"),
    "a negative aperture": (put(f"{SET}.aperture.exact", -8.0), "aperture.exact: found -8.0"),
    "a count of 400 digits": (put("estimate.frames", 10**400), "estimate.frames: found 1000"),
    # parts that name each other
    "an id twice": (
        put(f"steps.{LATER}.id", FRAME["id"]),
        f'{HERE}.id: found "{FRAME["id"]}"; allowed: an id that only one',
    ),
    "a group twice": (lambda tree: tree["groups"].append(tree["groups"][0]), "groups[1].id: found"),
    "a reference to nothing": (put(f"steps.{AT}.reference", "99-expose"), f'{HERE}.reference: found "99-expose"'),
    "a reference elsewhere": (put(f"steps.{AT}.reference", ELSEWHERE), "allowed: the id of a step of the same group"),
    "a group of nothing": (put("groups.0.steps.0", "99-expose"), 'groups[1].steps[1]: found "99-expose"'),
    "a picture of no group": (put(f"steps.{AT}.group", "g77"), f'{HERE}.group: found "g77"'),
    # inputs
    "a mark of no camera": (put("inputs.scales.time.3.mark", "f/8"), "inputs.scales.time[4]: found"),
    "a mark twice": (
        put("inputs.scales.time.3.mark", "1/8000"),
        'inputs.scales.time[1]: found "1/8000"; allowed: each',
    ),
    "a mark far from its value": (
        put("inputs.scales.iso.3.exact", 6400.0),
        'inputs.scales.iso[4]: found "200" with the exact value 6400',
    ),
    "an empty scale": (put("inputs.scales.iso", []), "inputs.scales.iso: found 0 marks; allowed: 1 to 200 marks"),
    "no scale": (lambda tree: scales(tree).pop("iso"), "inputs.scales.iso: found 0 marks"),
    "a scale backwards": (lambda tree: scales(tree)["iso"].reverse(), "inputs.scales.iso[1]"),
    "no brief": (put("inputs.brief", {}), "inputs.brief, stopwright: found nothing"),
    "a brief that is none": (put("inputs.brief.goals", "none"), 'inputs.brief, goals: found "none"'),
    "a number in the brief": (put("inputs.brief.title", 3), "inputs.brief, title: found 3, which is no text"),
    "a brief too deep": (put("inputs.brief.goals", DEEP), "more than 14 levels"),
    "a brief too long": (put("inputs.brief.goals", ["x" * 9000] * 70), "inputs.brief: found 63"),
    "a rig focused too near": (put("inputs.rig.focus", NEAR), "inputs: found values that cannot be reckoned with"),
    # what no longer follows from the inputs
    "another light": (put("inputs.light.ev100", 14.0), "steps[2].settings"),
    "another goal": (put("inputs.brief.goals", [{"isolate": "heron"}]), "steps["),
    "a rig said to be metered": (put("inputs.rig.metered", True), "steps[1]"),
    "a mark with another value": (
        put(f"{SET}.time.mark", "1/8000"),
        f'{HERE}.settings.time.mark: found "1/8000" in step {FRAME["id"]}; allowed: "{MARK}", by its inputs. This',
    ),
    "a value off its mark": (put(f"{SET}.time.exact", EXACT * 1.000001), f"{HERE}.settings.time.exact: found "),
    "steps backwards": (lambda tree: tree["steps"].reverse(), '; allowed: step "01-operator", by its inputs'),
    "no steps": (put("steps", []), "groups[1].steps[1]: found"),
    "no hands": (no_hands, 'steps[1]: found step "02-control"; allowed: step "01-operator"'),
    "no metering": (no_metering, 'steps[2]: found step "03-expose"; allowed: step "02-control"'),
    "a caution taken away": (put("steps.0.cautions", []), "steps[1].cautions: found 0 entries in step 01-operator"),
    "other words for hands": (put("steps.0.text", "Leave all filters on."), "steps[1].text: found"),
    "another caption": (put(f"steps.{AT}.caption", "A heron."), f'{HERE}.caption: found "A heron."'),
    # texts
    "a terminal's escape": (put("steps.0.text", "\x1b]0;gone\x07"), 'text: found "<U+001B>]0;gone<U+0007>"'),
    "an escape in a key": (put("\x1b[2J", 1), "<U+001B>"),
    "an escape as a kind": (put("steps.0.kind", "\x1b[2J"), 'steps[1].kind: found "<U+001B>[2J"'),
    "writing turned round": (put("title", "\u202egnimoc s'tahw"), "title: found"),
    "half a character": (put("title", "\ud800"), 'title: found "<U+D800>"'),
    "a space without width": (put("title", "Fountain,\u2060 Tuesday class"), 'title: found "Fountain,<U+2060> Tue'),
    "a title of 200000 letters": (put("title", "x" * 200_000), "title: found a text of 200000 letters"),
    "a hundred thousand keys": (lambda tree: tree.update({f"k{n}": n for n in range(100_000)}), "k0: found 0"),
}


@pytest.mark.parametrize("name", EDITS)
def test_an_edited_plan_is_refused_with_its_place_and_what_is_allowed(name: str) -> None:
    change, words = EDITS[name]
    told = refusal(edited(change))
    assert words in told, told


def test_the_shape_alone_would_let_most_of_these_edits_through() -> None:
    through = []
    for name, (change, _) in EDITS.items():
        try:
            read_plan(edited(change), "plan.json")
        except BriefError:
            continue
        through.append(name)
    assert len(through) > 0.8 * len(EDITS), sorted(set(EDITS) - set(through))
    assert {"no hands", "steps backwards", "a terminal's escape", "a huge filter", "an id twice"} <= set(through)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (WRITTEN.replace('"version": 1,', '"version": 1, "title": "Another",', 1), 'the key "title" a second time'),
        (WRITTEN.replace('"frames": ', '"frames": ' + "1" * 5000, 1), "a number of thousands of digits"),
        (WRITTEN.replace('"ev100": 13.0', '"ev100": 1e999', 1), "inputs.light.ev100: found inf"),
        (WRITTEN[:-40], "text that is no JSON"),
        ("[" * 100_000, "text that is no JSON"),
        ('{"version": ' * 20_000, "text that is no JSON"),
        ("", "text that is no JSON"),
        ("null", "This is no plan"),
        ("[1]", "This is no plan"),
    ],
    ids=["key twice", "digits", "too large", "torn", "deep list", "deep mapping", "empty", "null", "list"],
)
def test_text_that_no_plan_is_written_as_is_refused(text: str, words: str) -> None:
    assert words in refusal(text)


def test_a_plan_refused_says_at_once_all_that_is_wrong_with_its_parts() -> None:
    def change(tree: Tree) -> None:
        for step in tree["steps"]:
            step.update(id="01-operator")

    told = refusal(edited(change))
    assert told.count("an id that only one of the steps has") == len(json.loads(WRITTEN)["steps"])


# -- any leaf, any edit ------------------------------------------------------------------------------------------------

NUMBERS: list[Any] = [
    float("nan"),
    float("inf"),
    0,
    -1,
    -0.0,
    0.5,
    2,
    45,
    1e-300,
    1e308,
    -1e308,
    10**400,
    True,
    None,
    "x",
    "3",
    {},
    [],
]
TEXTS: list[Any] = [
    "",
    " ",
    "\x1b[2J",
    "\u202e",
    "\ud800",
    "x" * 20_000,
    "nope",
    "f/8",
    "1/125",
    "100",
    "-1",
    "1e9",
    "9 m",
    "0.011 m",
]
TEXTS += ["ND 8", "heron", "camera", "thirds", "unknown", "compose", None, 3, [], {}]


def places(tree: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a tree of JSON, the whole left out."""
    entries = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else []
    return [there for key, below in entries for there in ((*path, key), *places(below, (*path, key)))]


def mutate(tree: Tree, dice: random.Random) -> str:
    """One edit at a random place; what was done."""
    everywhere = places(tree)
    made_from = [path for path in everywhere if path[0] == "inputs" and path[1:2] != ("scales",)]
    path = dice.choice(made_from if dice.random() < 0.4 else everywhere)
    around: Any = tree
    for part in path[:-1]:
        around = around[part]
    value, deed = around[path[-1]], dice.choice(["value", "delete", "double", "reverse", "swap", "scale"])
    if deed == "delete":
        del around[path[-1]]
    elif deed == "double" and isinstance(around, list):
        around.insert(path[-1], copy.deepcopy(value))
    elif deed == "reverse" and isinstance(value, list):
        value.reverse()
    elif deed == "swap":
        other: Any = tree
        for part in dice.choice(everywhere):
            other = other[part]
        around[path[-1]] = copy.deepcopy(other)
    elif deed == "scale" and isinstance(value, float):
        around[path[-1]] = value * dice.choice([0.5, 1.01, 2, -1, 1e3])
    else:
        around[path[-1]] = dice.choice(TEXTS if isinstance(value, str) else NUMBERS)
    return f"{deed} {path}"


def effect(plan: Plan) -> Tree:
    """All of a plan but what it was made from, its numbers as far as they can matter."""
    return json.loads(plan_json(plan), parse_float=lambda text: round(float(text), 5)) | {"inputs": None}  # type: ignore[no-any-return]


@pytest.mark.parametrize("seed", range(4))
def test_any_edit_of_a_plan_is_refused_or_changes_nothing_of_what_is_done(seed: int) -> None:
    plan = few()
    text, wanted, dice = plan_json(plan), effect(plan), random.Random(seed)
    ended: Counter[str] = Counter()
    for _ in range(100):
        tree = json.loads(text)
        done = mutate(tree, dice)
        broken = json.dumps(tree)
        try:
            assert effect(read_given_plan(broken, "plan.json")) == wanted, done
        except BriefError:
            ended["refused"] += 1
        try:
            by_shape = read_plan(broken, "plan.json")
            ended["through by shape alone"] += by_shape != plan
        except BriefError:
            pass
    assert ended["refused"] > 80, ended
    assert ended["through by shape alone"] > 40, ended  # what the check is there for


def test_a_plan_without_its_hands_would_be_walked_by_shape_alone() -> None:
    through = read_plan(edited(no_hands), "plan.json")
    assert through.exposing and not any(isinstance(step, OperatorStep) for step in through.steps)
