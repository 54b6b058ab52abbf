"""How goals are written: short forms and long ones, and complaints with their place and what to do."""

from __future__ import annotations

from fractions import Fraction

import pytest
from support_plans import demo

from plans.brief import (
    Bracket,
    Deep,
    Faults,
    FocusBracket,
    Freeze,
    Isolate,
    Ladder,
    Noise,
    Perspective,
    PolariserPair,
    Silk,
)
from plans.errors import BriefError
from plans.goal_forms import GOAL_FORMS, SINGLE_FORMS
from plans.reading import demo_brief_text, read_brief

DEMO = demo_brief_text()
LINE = 1 + DEMO[: DEMO.index("  - isolate: heron")].count("\n")
ALL = ("under", "over", "shaken", "misfocused", "motion")


def read(goal):
    """The demo brief with one goal written in place of ``isolate: heron``."""
    return read_brief(DEMO.replace("- isolate: heron", f"- {goal}"), "fountain.yaml")


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("freeze: spout", Freeze(subject="spout")),
        ("freeze: {subject: spout, within: 0.02 mm}", Freeze(subject="spout", smear_mm=0.02)),
        ("freeze: {subject: spout, within: 2 px}", Freeze(subject="spout", smear_px=2)),
        ("silk: {subject: spout, grade: veil}", Silk(subject="spout", grade="veil")),
        ("silk: {subject: spout, share: [20 %, 80 %]}", Silk(subject="spout", share=(0.2, 0.8))),
        ("silk: {subject: spout, share: 20 %}", Silk(subject="spout", share=(0.2, 0.4))),
        ("isolate: {subject: heron, grade: melted}", Isolate(subject="heron", grade="melted")),
        ("isolate: {subject: heron, share: 3 %}", Isolate(subject="heron", share=0.03)),
        ("deep: {from: heron, to: hedge, lesson: yes}", Deep(from_subject="heron", to_subject="hedge", lesson=True)),
        (
            "ladder: {change: aperture, by: 1, balance: [time, iso], focus: heron}",
            Ladder(change="aperture", by=Fraction(1), balance="time", then="iso", focus="heron"),
        ),
        ("noise: heron", Noise(focus="heron")),
        ("noise: {focus: heron, by: 1/3, to: 800}", Noise(focus="heron", by=Fraction(1, 3), last="800")),
        (
            "bracket: {change: exposure, by: 2, count: 3, focus: heron}",
            Bracket(change="time", by=Fraction(2), count=3, focus="heron"),
        ),
        ("focus-bracket: {from: heron, to: hedge}", FocusBracket(from_subject="heron", to_subject="hedge")),
        (
            "focus-bracket: {from: heron, to: hedge, overlap: 25 %, aperture: f/4}",
            FocusBracket(from_subject="heron", to_subject="hedge", overlap=0.25, aperture="f/4"),
        ),
        ("faults: heron", Faults(subject="heron", show=ALL)),
        ("faults: {subject: heron, show: under}", Faults(subject="heron", show=("under",))),
        (
            "faults: {subject: heron, show: [over, shaken], over: 3 stops, shaken: 6}",
            Faults(subject="heron", show=("over", "shaken"), by={"over": 3, "shaken": 6}),
        ),
        (
            "perspective: {subject: heron, focal_lengths: [24 mm, 5 cm]}",
            Perspective(subject="heron", focal_lengths_mm=(24, 50)),
        ),
        ("polariser: heron", PolariserPair(focus="heron")),
        ("polariser: {focus: spout}", PolariserPair(focus="spout")),
    ],
)
def test_a_goal_as_written_is_the_goal_that_is_meant(written, meant):
    assert read(written).goals[1] == meant


@pytest.mark.parametrize(
    ("written", "column", "field", "found", "told"),
    [
        ("freeze: {subject: spout, within: 2}", 38, "freeze.within", '"2"', "Add the unit"),
        ("freeze: {subject: spout, within: 20 mm}", 38, "freeze.within", '"20 mm"', "above 0 mm to 10 mm"),
        ("freeze: {subject: spout, withn: 2 px}", 30, "freeze.withn", '"withn"', "Did you mean within?"),
        ("silk: {subject: spout, grade: vail}", 35, "silk.grade", '"vail"', "Did you mean veil?"),
        ("silk: {subject: spout, grade: silk, share: 20 %}", 48, "silk.share", '"20 %"', "Delete one of the two"),
        ("silk: {subject: spout, share: [80 %, 20 %]}", 42, "silk.share[2]", '"20 %"', "a share above 80 %"),
        ("silk: {subject: spout, share: 20}", 35, "silk.share", '"20"', "Add the unit: 20 %"),
        ("isolate: {subject: heron, share: 300 %}", 38, "isolate.share", '"300 %"', "above 0 % to 100 %"),
        ("isolate: {subject: heron, grade: melted, share: 3 %}", 53, "isolate.share", '"3 %"', "either grade or share"),
        ("deep: {from: heron, to: hedge, lesson: on}", 44, "deep.lesson", '"on"', "yes, no"),
        ("focus-bracket: {from: hedge, to: heron}", 38, "focus-bracket.to", '"heron"', "farther away than hedge"),
        ("focus-bracket: {from: heron, to: hedge, overlap: 95 %}", 54, "focus-bracket.overlap", '"95 %"', "to 90 %"),
        ("focus-bracket: {from: heron, to: hedge, aperture: f/64}", 55, "focus-bracket.aperture", '"f/64"', "f/22"),
        ("focus-brackets: {from: heron, to: hedge}", 5, "focus-brackets", '"focus-brackets"', "mean focus-bracket?"),
        ("noise: hern", 12, "noise", '"hern"', "Did you mean heron?"),
        ("noise: {focus: heron, by: 1/2}", 31, "noise.by", '"1/2"', "whole multiples of 1/3 stop"),
        ("noise: {focus: heron, from: 110}", 33, "noise.from", '"110"', "The nearest is 100"),
        ("noise: {focus: heron, from: 800, to: 800}", 42, "noise.to", '"800"', "an end other than the start"),
        ("faults: {subject: heron, show: [under, blurry]}", 44, "faults.show[2]", '"blurry"', "misfocused, motion"),
        ("faults: {subject: heron, show: [under, under]}", 44, "faults.show[2]", '"under"', "each word once"),
        ("faults: {subject: heron, show: [under], over: 2}", 51, "faults.over", '"2"', "Add over to show"),
        ("faults: {subject: heron, motion: 0}", 38, "faults.motion", '"0"', "circles of confusion above 1"),
        (
            "perspective: {subject: heron, focal_lengths: [24 mm]}",
            50, "perspective.focal_lengths", "1 entry", "[24 mm, 50 mm]",
        ),
        (
            "perspective: {subject: heron, focal_lengths: [24 mm, 2.4 cm]}",
            58, "perspective.focal_lengths[2]", '"2.4 cm"', "each focal length once",
        ),
        ("perspective: {subject: heron, focal_length: [24 mm]}", 35, "perspective.focal_length", '"focal_length"',
         "Did you mean focal_lengths?"),
        ("polarizer: heron", 5, "polarizer", '"polarizer"', "Did you mean polariser?"),
        ("polariser: {subject: heron}", 5, "polariser.focus", "nothing", "Add `focus"),
        (
            "ladder: {change: aperture, by: 1, balance: [time, time], focus: heron}",
            55, "ladder.balance[2]", '"time"', "each word once",
        ),
        (
            "ladder: {change: aperture, by: 1, balance: [time, aperture], focus: heron}",
            55, "ladder.balance[2]", '"aperture"', "time or iso",
        ),
        (
            "ladder: {change: aperture, by: 1, balance: [time, iso, iso], focus: heron}",
            48, "ladder.balance", "3 entries", "the second takes over",
        ),
        ("bracket: {change: exposures, by: 1, count: 3, focus: heron}", 23, "bracket.change", '"exposures"',
         "Did you mean exposure?"),
    ],
)  # fmt: skip
def test_a_goal_miswritten_is_complained_of_at_its_place_with_what_to_do(written, column, field, found, told):
    with pytest.raises(BriefError) as error:
        read(written)
    first = error.value.complaints[0]
    assert (first.line, first.column, first.found) == (LINE, column, found)
    assert first.field == f"goals[2].{field}"
    assert told in f"{first.allowed}. {first.advice}"


def test_only_goals_of_one_picture_are_compared():
    assert set(SINGLE_FORMS) == {"freeze", "silk", "isolate", "deep"}
    for word in sorted(set(GOAL_FORMS) - set(SINGLE_FORMS)):
        with pytest.raises(BriefError, match="Only single goals can be compared"):
            demo(goals=[{"compare": [{"freeze": "spout"}, {word: "heron"}]}])
