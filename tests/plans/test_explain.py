"""The plan in plain words: nothing left out, no line too long, no word unexplained, every sum and number right."""

from __future__ import annotations

import math
import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from support_plans import demo

from plans.cautions import cautions_for
from plans.compiler import compile_brief
from plans.explain import explain
from plans.explain_light import between, counted, parts
from plans.explain_picture import noise_db, noise_factor, picture_lines
from plans.glossary import TERMS, Glossary
from plans.goals import words
from plans.hands import check_text, compose_text, filters_text, move_text, turn_text
from plans.plan import ControlStep, FilterValue, Focus, LightBasis, MarkValue, OperatorStep, plan_json, read_plan
from plans.reading import read_brief
from plans.rehearsal import summary, to_bring

BRIEFS = Path(__file__).parents[1] / "briefs"
PITCH_MM = 35.9 / 6000  # of the demo's sensor


@pytest.fixture(scope="module")
def plan():
    return compile_brief(demo())


@pytest.fixture(scope="module")
def unreachable():
    path = BRIEFS / "unreachable.yaml"
    return compile_brief(read_brief(path.read_text(encoding="utf-8"), path.name))


def flat(text):
    return re.sub(r"\s+", " ", text)


def told(text, step):
    """What an explanation says of one step, on one line."""
    begin = re.search(rf"\nstep {int(step.id[:2])}, ", text).start()
    return flat(text[begin : text.find("\n\n", begin + 2)])


def steps_of(plan, goal):
    return [step for step in plan.exposing if step.goal == goal]


@pytest.mark.parametrize("which", ["plan", "unreachable"])
def test_no_line_is_longer_than_80_columns(which, request):
    made = request.getfixturevalue(which)
    for text in (explain(made), summary(made)):
        assert max(map(len, text.splitlines())) <= 80


def test_a_word_longer_than_the_line_is_broken_and_not_let_through():
    name = "heron" * 8
    long = demo(scene__subjects={name: {"distance": "2 m"}}, goals=[{"isolate": name}], title="x" * 200)
    assert max(map(len, explain(compile_brief(long)).splitlines())) <= 80


def test_every_step_is_told_with_its_settings_what_is_held_and_what_it_does_to_the_picture(plan):
    text = explain(plan)
    for step in plan.steps:
        assert text.count(f"\nstep {int(step.id[:2])}, ") == 1 and step.id not in text
    for step in plan.exposing:
        seen, line = step.predicted, told(text, step)
        s = step.settings
        assert f"{s.aperture.mark}, {s.time.mark} s, ISO {s.iso.mark}, " in line
        if step.reference != step.id:
            assert f"changed against step {int(step.reference[:2])}, picture, counted in stops:" in line
            assert f"held: {words.listed(words.KIND_WORDS[name] for name in step.held)}" in line
        assert f"sharp from {words.metres(seen.near_m)} to {words.metres(seen.far_m)}" in line
        smear = f"the spout smears {words.millimetres(seen.smear_mm['spout'])} on the sensor = "
        # From the plan's own smear and the sensor as the brief has it: pixels and share of its 24 mm.
        px, share = seen.smear_mm["spout"] / PITCH_MM, seen.smear_mm["spout"] / 24.0
        figure = re.search(re.escape(smear) + r"([\d.]+) px, ([\d.]+) % of the frame's height", line)
        assert figure, line
        assert float(figure[1]) == pytest.approx(px, rel=0.02) and float(figure[2]) == pytest.approx(
            share * 100, rel=0.05
        )
        assert f"spreads to {words.millimetres(seen.background_disc_mm)}" in line
        # First dark ring: 2.44 lambda N, at 550 nm, in pixels of 5.98 micrometres.
        airy = re.search(r"diffraction spreads every point to [\d.]+ mm = ([\d.]+) px", line)
        assert airy and float(airy[1]) == pytest.approx(2.44 * 0.00055 * s.aperture.exact / PITCH_MM, rel=0.05)
        assert flat(step.caption) in line
    assert "ISO: 3 stops above the lowest native one" in flat(text) and "ISO: the lowest native one" in flat(text)


def test_what_is_held_in_a_group_is_told_with_the_reason(plan):
    text = flat(explain(plan))
    for group in plan.groups:
        if len(group.steps) > 1:
            for name in group.held:
                kind = words.KIND_WORDS[name]
                assert re.search(
                    rf"{kind} (is|are) held so that ", text[text.index(f"== {group.title} (goal {group.id[1:]})") :]
                )


# The sum of stops


def summed(line):
    """Stops in one line of a sum, as a reader takes it: (value, whether it is the total)."""
    count = re.search(r"(\d+ \d/\d|\d+/\d|[\d.]+) stops? (more light|less light|brighter|darker)", line)
    if not count:
        return 0.0
    value = float(sum(Fraction(piece) for piece in count[1].split()))
    return value if count[2] in ("more light", "brighter") else -value


def sums(text):
    """Every sum in an explanation: its lines, and the line of its result."""
    for found in re.finditer(r"counted in stops:\n((?:      .*\n)+)", text):
        lines = flat(found[1].replace("      - ", "\n#").replace("      = ", "\n#")).split("#")[1:]
        yield lines[:-1], lines[-1]


def result(line):
    within = re.search(r"as bright to within ([\d.]+) stops? \((brighter|darker)\)", line)
    if within:
        return float(within[1]) * (1 if within[2] == "brighter" else -1)
    return summed(line)


def test_the_sums_of_stops_add_up_as_printed(plan):
    found = list(sums(explain(plan)))
    assert len(found) == sum(step.reference != step.id for step in plan.exposing) == 18
    for lines, total in found:
        assert sum(map(summed, lines)) == pytest.approx(result(total), abs=0.011)  # of two decimals


def test_the_parts_of_a_sum_make_the_difference_of_brightness_by_logarithms(plan):
    by_id = {step.id: step for step in plan.exposing}
    for step in plan.exposing:
        s, r = step.settings, by_id[step.reference].settings
        light = [
            2 * math.log2(r.aperture.exact / s.aperture.exact),
            math.log2(s.time.exact / r.time.exact),
            math.log2(s.iso.exact / r.iso.exact),
            sum(item.stops for item in r.filters) - sum(item.stops for item in s.filters),
        ]
        made = sum(part.stops for part in parts(plan, step, by_id[step.reference]))
        assert made == pytest.approx(sum(light), abs=1e-6)
        assert "measured" not in " ".join(part.text for part in parts(plan, step, by_id[step.reference]))


def test_a_brightness_that_the_marks_do_not_make_is_told_as_measured_and_not_hidden(plan):
    first, second, *_ = steps_of(plan, "ladder of aperture by 1 stop, exposure time balancing")
    off = second.model_copy(update={"offset": second.offset + 0.25})
    assert parts(plan, off, first)[-1].text == "as measured on this lens and shutter: 1/4 stop brighter"


def test_equivalence_is_shown_stop_by_stop_on_the_marks_of_the_camera(plan):
    first, second, third, *_ = steps_of(plan, "ladder of aperture by 1 stop, exposure time balancing")
    text = explain(plan)
    assert (
        f"changed against step {int(first.id[:2])}, picture, counted in stops: "
        "- aperture from f/2 to f/2.8: 1 stop less light "
        "- exposure time from 1/2000 to 1/1000 s: 1 stop more light = together: as bright"
    ) in told(text, second)
    assert "exposure time from 1/2000 (1/1000) to 1/500 s: 2 stops more light" in told(text, third)
    (silk,) = steps_of(plan, "silk spout")
    assert "(1/1000, 1/500, 1/250, 1/125, 1/60, 1/30, 1/15, 1/8) to 1/4 s: 9 stops more light" in told(text, silk)
    assert "ISO from 800 (400, 200) to 100: 3 stops darker" in told(text, silk)
    # Density 1.8 is 1.8 / log10(2) stops.
    assert f"ND 64 goes on: {1.8 / math.log10(2):.2f} stops less light" in told(text, silk)


def test_filters_that_come_go_and_turn_are_counted_one_by_one(plan):
    first = plan.exposing[0]

    def through(*filters, offset):
        return first.model_copy(
            update={"settings": first.settings.model_copy(update={"filters": filters}), "offset": offset}
        )

    least, most = (FilterValue(name="turner", stops=s, turned=t) for s, t in ((1.25, "least"), (1.75, "most")))
    gray = FilterValue(name="ND 8", stops=3.0)
    told = [part.text for part in parts(plan, through(most, offset=2.5), through(least, gray, offset=0.0))]
    assert told == [
        "turner turned until reflections are weakest: 1/2 stop less light",
        "ND 8 comes off: 3 stops more light",
    ]


def test_a_bracket_says_what_it_means_to_be_darker(plan):
    dark, *_ = steps_of(plan, "bracket of 5 by 1 stop of exposure time")
    line = told(explain(plan), dark)
    assert "together: 2 stops darker, as meant" in line
    assert "1/4 of the light makes the picture, so the signal-to-noise ratio is 2 times smaller (6 dB)" in line


def test_marks_between_two_are_named_only_where_the_scale_has_them_all():
    thirds = [MarkValue(mark=m, exact=2 ** (-n / 3)) for n, m in enumerate(["1", "0.8", "0.6", "0.5", "0.4", "0.3"])]
    quarter = MarkValue(mark="1/4", exact=0.25)
    assert between("time", thirds[0], quarter, [*thirds, quarter]) == ("0.5",)
    assert between("time", thirds[0], quarter, [thirds[0], quarter]) == ()
    assert between("time", thirds[0], thirds[1], thirds) == ()


@pytest.mark.parametrize(
    ("value", "text"),
    [(1.0, "1 stop"), (-2.0, "2 stops"), (1 / 3, "1/3 stop"), (5 / 3, "1 2/3 stops"), (0.5, "1/2 stop"),
     (5.97941, "5.98 stops"), (0.049, "0.05 stop"), (0.0, "0 stops")],
)  # fmt: skip
def test_stops_are_counted_in_fractions_where_they_are_fractions(value, text):
    assert counted(value) == text


# Noise


@pytest.mark.parametrize("stops", [1, 3])
def test_half_the_light_has_a_signal_to_noise_ratio_smaller_by_the_root_of_two(stops):
    # Against counted photons: Poisson's law, from numpy's own generator. 3 dB a stop.
    photons = np.random.default_rng(4)
    ratio = []
    for mean in (4000, 4000 / 2**stops):
        counts = photons.poisson(mean, 200_000)
        ratio.append(counts.mean() / counts.std())
    assert ratio[0] / ratio[1] == pytest.approx(noise_factor(stops), rel=0.01)
    assert noise_db(stops) == pytest.approx(20 * math.log10(ratio[0] / ratio[1]), abs=0.1)
    assert ratio[0] / ratio[1] != pytest.approx(noise_factor(2 * stops), rel=0.1)


def test_an_iso_below_the_native_ones_is_told_to_burn_out_sooner(plan):
    step = plan.exposing[0]
    low = step.model_copy(update={"predicted": step.predicted.model_copy(update={"iso_above_base": -1.0})})
    assert "1 stop below the lowest native one" in picture_lines(low, None, None)[-1]
    assert "1.4 times larger (3 dB), and bright parts burn out sooner" in picture_lines(low, None, None)[-1]


def test_a_difference_in_the_picture_is_told_in_times_and_none_where_there_is_none(plan):
    first, _, third, *_ = steps_of(plan, "ladder of aperture by 1 stop, exposure time balancing")
    lines = picture_lines(third, first, PITCH_MM)
    # Two stops of aperture: half the disc; two stops of time: four times the smear.
    assert any(
        line.endswith(f"2 times less than in step {int(first.id[:2])}") for line in lines if "background" in line
    )
    assert any(line.endswith(f"4 times as much as in step {int(first.id[:2])}") for line in lines if "smears" in line)
    assert not any(" times as " in line or "times less" in line for line in picture_lines(first, first, PITCH_MM))


# Words


@pytest.mark.parametrize("which", ["plan", "unreachable"])
def test_each_word_of_the_trade_is_explained_where_it_first_stands(which, request):
    lines = explain(request.getfixturevalue(which)).splitlines()
    words_end = lines.index("The plan")
    for term in TERMS:
        explained = [
            n
            for n, line in enumerate(lines)
            if line.strip().startswith(f"[{term.word}: ") or (n < words_end and line.startswith(f"  {term.word}  "))
        ]
        used = [n for n, line in enumerate(lines) if re.search(term.used, line) and n > words_end]
        if used:
            assert len(explained) == 1, term.word
            # At most a paragraph of its own line and other new words lies between.
            assert explained[0] - used[0] <= 14, term.word


def test_a_word_is_explained_once_and_the_words_of_its_explanation_with_it():
    glossary = Glossary()
    first = glossary.lines("diffraction of 3 px")
    assert [line.strip()[:5] for line in first if line.strip().startswith("[")] == ["[px: ", "[diff"]
    assert glossary.lines("diffraction of 3 px") == ["diffraction of 3 px"]
    assert {term.word for term in Glossary().first_used("bulb")} == {"bulb"}
    assert "stop" in {term.word for term in Glossary().first_used("EV 3")}  # EV is told in stops


# Bag and summary


def test_what_must_be_in_the_bag_what_is_left_out_and_what_it_costs_are_in_the_summary(plan):
    text = flat(summary(plan))
    assert "In the bag: ND 64." in text and to_bring(plan) == ("ND 64",)
    hands = sum(isinstance(step, OperatorStep) for step in plan.steps)
    checks = sum(isinstance(step, ControlStep) and step.purpose == "check" for step in plan.steps)
    control = "1 metering frame" + (f", {checks} check frame{'s' if checks > 1 else ''}" if checks else "")
    assert f"24 pictures, {control}; hands are needed {hands} times" in text
    assert "f/2 is left out" in text
    assert "EV 13, as the brief says" in text


@pytest.mark.parametrize(
    ("light", "text"),
    [
        (LightBasis(ev100=11.5, origin="forecast", low=10.25, high=12.5), "EV 11.5, a forecast, from 10.2 to 12.5."),
        (LightBasis(ev100=12, origin="guess"), "about EV 12, a guess until the metering frame tells."),
        (LightBasis(ev100=12.4, origin="metered"), "EV 12.4, as metered."),
    ],
)
def test_the_light_is_told_with_where_it_is_known_from(plan, light, text):
    other = plan.model_copy(update={"inputs": plan.inputs.model_copy(update={"light": light})})
    assert f"Light: {text}" in flat(summary(other))


def test_notes_are_told_in_the_summary(plan):
    assert "Note: Lamps flicker." in summary(plan.model_copy(update={"notes": ("Lamps flicker.",)}))
    assert "Note:" not in summary(plan.model_copy(update={"notes": ()}))


def test_the_bag_list_names_what_the_plan_needs_and_what_may_stay(plan):
    text = explain(plan)
    bag = text[text.index("To take along") : text.index("\n\n", text.index("To take along"))]
    for item in ("demo body", "50 mm lens", "ND 64", "tripod", "cable", "lens cloth"):
        assert f"[ ] {item}" in bag
    assert "may stay at home: ND 8" in bag and "torch" not in bag


def test_a_plan_without_its_brief_is_explained_and_says_what_is_missing(plan):
    bare = plan.model_copy(update={"inputs": plan.inputs.model_copy(update={"brief": {}})})
    text = explain(bare)
    assert "does not hold its brief" in text and "To take along" not in text
    assert "the spout smears" in text


def test_cautions_are_told_at_their_step_and_no_other(plan):
    steps, left = cautions_for(demo(), plan.steps, None)
    text = explain(plan.model_copy(update={"steps": tuple(steps), "cautions": left}))
    assert text.count("CAUTION") == 2
    first, second = (step for step in steps if step.cautions)
    assert text.index("\nstep 1, ") < text.index("slippery") < text.index("\nstep 2, ") and first.id[:2] == "01"
    assert text.index(f"\nstep {int(second.id[:2])}, ") < text.index("does not protect eyes")


def test_goals_out_of_reach_are_told_with_reasons_and_remedies(unreachable):
    text = flat(explain(unreachable))
    for item in unreachable.unreachable:
        assert f"NOT REACHABLE {item.goal}" in text
        for line in (*item.reasons, *item.remedies):
            assert flat(line) in text


def test_a_plan_without_a_tripod_says_what_that_costs():
    text = flat(explain(compile_brief(demo(kit__support="hand"))))
    # The hand-held rule, common practice: 1/50 s at 50 mm on full frame.
    assert "without a tripod" in text and "No time longer than 1/50 s" in text


def test_a_plan_read_back_is_explained_in_the_same_words(plan):
    assert explain(read_plan(plan_json(plan), "p")) == explain(plan)


# What hands are asked


def test_a_polariser_that_is_only_turned_is_not_unscrewed():
    least, most = (FilterValue(name="polariser", stops=1.3, turned=way) for way in ("least", "most"))
    assert filters_text((least,), (most,)) == turn_text("most")
    assert filters_text((least,), (least,)) == "Leave the filters as they are."
    assert "Unscrew the polariser" in filters_text((least,), ())
    assert "strongest" in turn_text("least") and "weakest" in turn_text("most")


def test_a_move_names_place_and_focal_length_and_each_check_what_must_hold():
    text = move_text("heron", 3.4, 85.0)
    assert "the heron is 3.4 m from the camera" in text and "Zoom to 85 mm" in text and "as large as before" in text
    back = move_text("spout", 3.0, 50.0, as_large=False)
    assert "as large" not in back and "frame anew" in back
    compose = compose_text(Focus(subject="heron", distance_m=2.0), 50.0)
    assert "Zoom to 50 mm." in compose and compose.endswith("alone until you are asked to move.")
    assert len({check_text(action) for action in ("focus", "filters", "turn", "move", "shake", "settle")}) == 6


# Numbers in sentences


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
