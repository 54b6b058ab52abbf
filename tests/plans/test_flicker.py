"""Lamps on the mains: how uneven pictures come out, and which times are left out for it."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from support_plans import demo

from plans.compiler import compile_brief
from plans.flicker import UNEVEN, is_steady, ripple, steady_from_s
from plans.goals.situation import Situation
from plans.stops import series_marks

TIMES = {mark.label: mark.exact for mark in series_marks("time", "thirds")}
AVOID, NAME = {"flicker": "avoid"}, {"flicker": "name"}


def situation(**changes):
    brief = demo(**changes)
    kit = brief.kit
    scales = {"aperture": kit.lens.aperture, "time": kit.body.time, "iso": kit.body.iso}
    return Situation(kit, brief.scene, brief.limits, brief.scene.light.ev100, scales)


def integrated(time_s, mains_hz, phases=720, samples=4001):
    """The unevenness by adding up the light of a fully flickering lamp over the exposure, at every phase."""
    at = np.linspace(0, time_s, samples)
    starts = np.linspace(0, 2 * math.pi, phases, endpoint=False)
    # Voltage goes as a sine, power as its square.
    lamp = 2 * np.sin(2 * math.pi * mains_hz * at[None, :] + starts[:, None]) ** 2
    mean = np.trapezoid(lamp, at, axis=1) / time_s
    return float(np.abs(mean - 1).max())


@pytest.mark.parametrize("mains_hz", [50, 60])
@pytest.mark.parametrize("label", ["1/2000", "1/250", "1/125", "1/100", "1/80", "1/60", "1/50", "1/30", "1/15", "0.5"])
def test_the_unevenness_is_what_adding_up_the_lamps_light_gives(label, mains_hz):
    assert ripple(TIMES[label], mains_hz) == pytest.approx(integrated(TIMES[label], mains_hz), abs=1e-4)
    # Negative control: with the mains' own frequency in place of the lamps' it fails where it matters.
    if label in ("1/125", "1/80"):
        assert ripple(TIMES[label], mains_hz / 2) != pytest.approx(integrated(TIMES[label], mains_hz), abs=0.02)


def test_whole_flickers_leave_nothing_and_half_ones_the_most():
    # 1/100 s at 50 Hz, 1/120 s at 60 Hz and their multiples: common practice, no source.
    for mains_hz in (50, 60):
        for n in (1, 2, 3, 12):
            assert ripple(n / (2 * mains_hz), mains_hz) < 1e-12
    assert ripple(1 / 100, 60) > UNEVEN < ripple(1 / 120, 50)  # negative control: the other country's time
    assert ripple(1 / 8000, 50) > 0.99  # far shorter than a flicker: the lamp as it happens to be
    with pytest.raises(ValueError, match="above zero"):
        ripple(0.0, 50)


def test_from_the_steady_time_on_every_time_is_even():
    for mains_hz in (50, 60):
        limit = steady_from_s(mains_hz)
        assert all(is_steady(limit * (1 + n / 1000), mains_hz) for n in range(20000))
        assert not all(is_steady(limit / 2 * (1 + n / 1000), mains_hz) for n in range(1000))


def test_the_camera_s_exact_times_decide():
    # 1/60 s is 1/64 s: at 60 Hz not a whole number of flickers, unlike the printed time.
    assert is_steady(1 / 60, 60)
    assert not is_steady(TIMES["1/60"], 60)
    assert is_steady(TIMES["1/100"], 50)
    assert is_steady(TIMES["1/50"], 50)


def test_named_times_stay_on_the_scale_and_avoided_ones_do_not():
    plain, named = situation(), situation(scene__mains="50 Hz", limits=NAME)
    avoided = situation(scene__mains="50 Hz", limits=AVOID)
    assert named.scale("time") == plain.scale("time")
    kept = avoided.scale("time")
    by_hand = [m.label for m in plain.scale("time").marks if integrated(m.exact, 50, 180, 2001) <= 0.05]
    assert [mark.label for mark in kept.marks] == by_hand
    assert by_hand[:3] == ["1/100", "1/50", "1/30"] and by_hand[-1] == "30"
    assert (kept.series, kept.step) == ("thirds", plain.scale("time").step)
    assert avoided.ground.tolerance == plain.ground.tolerance
    # `name` is what holds when nothing is said, and without mains nothing flickers.
    assert situation(scene__mains="50 Hz", limits=None).scale("time") == plain.scale("time")
    assert (plain.ripple(1 / 80), plain.notes()) == (None, ())
    assert named.ripple(TIMES["1/80"]) == ripple(TIMES["1/80"], 50)


def test_the_note_names_the_even_times_and_what_is_done_with_the_others():
    (note,) = situation(scene__mains="50 Hz").notes()
    assert "50 Hz mains flicker 100 times a second" in note
    assert "1/100 s, 1/50 s, 1/30 s" in note and "from 1/13 s on" in note and "may be taken all the same" in note
    (note,) = situation(scene__mains="50 Hz", limits=AVOID).notes()
    assert "are left out" in note
    assert situation(scene__mains="50 Hz", limits=AVOID).start_words("time").startswith("1/100 s (your limit")


def test_pictures_are_planned_at_even_times_only_when_they_are_to_be_avoided():
    def times(**changes):
        brief = demo(scene__mains="50 Hz", scene__light__ev100="9", goals=[{"isolate": "heron"}, {"deep": {
            "from": "heron", "to": "hedge"}}], **changes)  # fmt: skip
        plan = compile_brief(brief)
        assert not plan.unreachable
        return [step.settings.time for step in plan.steps if step.kind in ("expose", "control")]

    assert all(ripple(time.exact, 50) <= 0.05 for time in times(limits=AVOID))
    assert not all(ripple(time.exact, 50) <= 0.05 for time in times(limits=NAME))


def test_ladders_by_whole_stops_run_over_the_marks_that_are_left():
    ladder = {"change": "time", "by": "1", "balance": "aperture", "focus": "heron"}

    def rungs(**changes):
        plan = compile_brief(demo(scene__mains="50 Hz", scene__light__ev100="9", goals=[{"ladder": ladder}], **changes))
        assert not plan.unreachable
        return [step.settings.time.mark for step in plan.exposing]

    whole = rungs(limits=NAME)
    even = rungs(limits=AVOID)
    assert len(even) >= 3
    assert all(ripple(TIMES[label], 50) <= 0.05 for label in even)
    assert all(math.log2(TIMES[b] / TIMES[a]) == pytest.approx(1) for a, b in itertools.pairwise(even))
    assert any(ripple(TIMES[label], 50) > 0.05 for label in whole)  # negative control


def test_an_aperture_ladder_is_balanced_by_even_times_only():
    ladder = {"change": "aperture", "by": "1", "balance": "time", "focus": "heron"}
    plan = compile_brief(demo(scene__mains="50 Hz", scene__light__ev100="5", limits=AVOID, goals=[{"ladder": ladder}]))
    assert len(plan.exposing) >= 4
    assert all(ripple(step.settings.time.exact, 50) <= 0.05 for step in plan.exposing)


def test_a_scale_without_any_even_time_keeps_its_steadiest_and_says_so():
    short = {"from": "1/8000 s", "to": "1/125 s", "step": "1/3"}
    avoided = situation(scene__mains="50 Hz", limits=AVOID, kit__body__time=short, goals=[{"isolate": "heron"}])
    (mark,) = avoided.scale("time").marks
    assert mark.label == "1/125"
    assert "No time on this scale comes out even" in avoided.notes()[0]
    assert "shorter times come out uneven" in avoided.start_words("time")
    assert situation(scene__mains="50 Hz", kit__body__time=short, goals=[{"isolate": "heron"}]).despite_flicker().scale(
        "time"
    ).marks[0].label == "1/8000"  # fmt: skip


def test_gaps_in_a_scale_of_no_series_make_no_wider_tolerance():
    clock = {"marks": ["1/99", "1/88", "1/77", "1/66", "1/49", "0.027", "0.0375", "0.044", "0.057", "0.07", "0.09"]}
    plain = situation(kit__body__time=clock, goals=[{"isolate": "heron"}])
    avoided = situation(kit__body__time=clock, goals=[{"isolate": "heron"}], scene__mains="50 Hz", limits=AVOID)
    assert plain.scale("time").series == "unknown"
    assert len(avoided.scale("time").marks) < len(plain.scale("time").marks)
    assert avoided.scale("time").step > plain.scale("time").step  # negative control: the gaps are there
    assert avoided.ground.tolerance == plain.ground.tolerance
