"""The watch over the light of a group: its rules one by one, and whole groups under simulated skies.

The skies are made apart from the watch (`support_skies`). The bars are those found by simulation before the watch was
written: no group whose frames truly lie over 0.25 stop apart passes for steady, clouds are taken out to 0.1 stop.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support_skies import campaign

from plans.drift import (
    LONGEST_WAIT_S,
    PAUSE_S,
    RECENT_S,
    RETAKES,
    STEADY,
    Kept,
    Watch,
    account,
    cost,
    tolerance,
)

SEEDS = range(60)
STEPS = ("a", "b", "c")
level = st.floats(-3, 3)


def begun(grade="full"):
    """A watch after a first frame in a light of 0."""
    watch = Watch(grade, STEPS)
    assert watch.before(0.0, 0.0) == "shoot"
    assert watch.after("a", 0.0, 2.0) == "keep"
    return watch


def test_a_cloud_before_a_frame_is_waited_for_and_the_frame_is_shot_when_it_has_gone() -> None:
    watch = begun()
    assert watch.before(-1.0, 20.0) == "wait"
    assert watch.before(-1.0, 26.0) == "wait"
    assert watch.before(-0.05, 32.0) == "shoot"
    assert watch.waited_s == 2 * PAUSE_S


def test_a_cloud_that_stays_is_waited_for_five_minutes_and_never_again_in_that_group() -> None:
    watch, t, waits = begun(), 20.0, 0
    while watch.before(-1.0, t) == "wait":
        t, waits = t + PAUSE_S, waits + 1
    assert LONGEST_WAIT_S == 300  # as long as the photographer was promised
    assert waits * PAUSE_S == LONGEST_WAIT_S
    assert watch.after("b", -1.0, t) == "keep"
    assert watch.before(-1.0, t + 20) == "shoot"
    assert watch.after("c", -1.0, t + 22) == "keep"
    told = watch.account()
    assert told.shifted and told.moved == pytest.approx(1.0)
    assert told.corrections == pytest.approx({"a": 0.0, "b": -1.0, "c": -1.0})


def test_a_frame_that_the_light_changed_under_is_taken_again_twice_at_most() -> None:
    watch = begun()
    answers = []
    for n in range(RETAKES + 1):
        assert watch.before(0.0, 20.0 + 10 * n) == "shoot"
        answers.append(watch.after("b", -0.4, 22.0 + 10 * n))
    assert answers == ["retake"] * RETAKES + ["keep as it is"]
    assert watch.account().shifted


def test_a_frame_taken_again_counts_once_with_its_last_light() -> None:
    watch = begun()
    watch.before(0.0, 20.0)
    assert watch.after("b", -0.4, 22.0) == "retake"
    watch.before(0.0, 60.0)
    assert watch.after("b", 0.01, 62.0) == "keep"
    told = watch.account()
    assert not told.shifted and told.retakes == 1 and told.moved is not None and told.moved < 0.02


def test_steady_dusk_is_neither_waited_for_nor_shot_again_but_told_and_taken_into_account() -> None:
    # 0.27 stop a minute, the fastest change of twilight at middle latitudes (from memory).
    watch, t = Watch("full", STEPS), 0.0
    for step in STEPS:
        assert watch.before(-0.27 * t / 60, t) == "shoot"
        assert watch.after(step, -0.27 * (t + 5) / 60, t + 5) == "keep"
        t += 70
    told = watch.account()
    assert (told.waited_s, told.retakes, told.shifted) == (0.0, 0, True)
    assert told.corrections["c"] == pytest.approx(-0.27 * 140 / 60, abs=0.01)


def test_readings_follow_the_grade_and_the_one_after_a_frame_serves_the_next() -> None:
    full, ends, off = (Watch(grade, STEPS) for grade in ("full", "ends", "off"))
    assert full.needs_reading("a", "before", 0.0) and full.needs_reading("a", "after", 1.0)
    full.before(0.0, 0.0)
    full.after("a", 0.0, 2.0)
    assert not full.needs_reading("b", "before", 2.0 + RECENT_S)
    assert full.needs_reading("b", "before", 2.1 + RECENT_S)
    full.rig_touched()
    assert full.needs_reading("b", "before", 3.0)
    due = [(step, when) for step in STEPS for when in ("before", "after") if ends.needs_reading(step, when, 0.0)]
    assert due == [("a", "before"), ("c", "after")]
    assert not any(off.needs_reading(step, when, 0.0) for step in STEPS for when in ("before", "after"))


def test_another_filter_widens_what_counts_as_the_same_light() -> None:
    assert begun().before(0.35, 20.0) == "wait"
    assert begun().before(0.35, 20.0, slack=1 / 3) == "shoot"


def test_the_ends_alone_tell_a_drift_and_not_what_lay_between() -> None:
    def told(last):
        watch = begun("ends")
        watch.before(None, 20.0)
        watch.after("b", None, 22.0)
        watch.before(None, 40.0)
        watch.after("c", last, 42.0)
        return watch.account()

    assert told(-0.4).shifted and told(-0.4).moved == pytest.approx(0.4)
    assert not told(0.0).shifted
    assert "two ends only" in str(told(0.0))
    assert "about half" in str(told(0.0))


def test_what_each_grade_costs_is_told_in_readings_and_seconds() -> None:
    full, ends, off = (cost(grade, [3.0] * 6, 1.5) for grade in ("full", "ends", "off"))
    assert (full.readings, ends.readings, off.readings) == (7, 2, 0)
    assert (full.seconds, ends.seconds, off.seconds) == (10.5, 3.0, 0.0)
    assert full.most_seconds == 6 * RETAKES * (3.0 + 2 * 1.5) + LONGEST_WAIT_S


@given(st.lists(st.tuples(level, level, st.one_of(st.none(), level)), min_size=1, max_size=8), st.floats(-5, 5))
def test_the_account_does_not_depend_on_the_zero_that_levels_are_told_against(rows, shift) -> None:
    def told(by):
        kept = [
            Kept(f"s{n}", before + by, after + by, None if own is None else own + by)
            for n, (before, after, own) in enumerate(rows)
        ]
        return account(kept, "full")

    one, other = told(0.0), told(shift)
    assert (one.moved or 0) == pytest.approx(other.moved or 0, abs=1e-9)
    for step, value in one.corrections.items():
        assert other.corrections[step] == pytest.approx(value, abs=1e-9)


@given(st.lists(st.tuples(level, st.floats(-0.1, 0.1)), min_size=2, max_size=8))
def test_light_that_ranged_over_more_than_noise_is_always_told(rows) -> None:
    kept = [Kept(f"s{n}", light, light + step) for n, (light, step) in enumerate(rows)]
    centres = [frame.level for frame in kept]
    told = account(kept, "full")
    assert told.shifted == (max(centres) - min(centres) > STEADY)
    assert told.corrections["s0"] == 0.0


@given(st.lists(st.tuples(level, st.floats(0, 120)), max_size=200))
@settings(max_examples=60)
def test_however_the_light_behaves_waiting_and_retakes_have_an_end(readings) -> None:
    watch, told, t = Watch("full", STEPS), iter(readings), 0.0
    for step in STEPS:
        waited, tries = 0.0, 0
        while True:
            while watch.before(next(told, (0.0, 1.0))[0], t) == "wait":
                t, waited = t + PAUSE_S, waited + PAUSE_S
            tries += 1
            value, seconds = next(told, (9.0, 1.0))
            t += seconds
            if watch.after(step, value, t) != "retake":
                break
        assert waited <= (RETAKES + 1) * LONGEST_WAIT_S and tries <= RETAKES + 1
    assert len(watch.account().corrections) == len(STEPS)


@given(st.floats(0, 3600), st.floats(0, 3600))
def test_what_is_allowed_grows_with_time_and_begins_at_noise(one, other) -> None:
    assert tolerance(0) == STEADY
    assert (tolerance(one) <= tolerance(other)) == (one <= other) or one == pytest.approx(other)


def test_under_clouds_the_whole_watch_misses_nothing_large_and_saves_the_group() -> None:
    found = campaign("clouds", "full", SEEDS)
    assert found.missed_large == 0
    assert found.missed <= 0.05
    assert found.false_in_calm <= 0.08
    assert found.shifted <= 0.30
    assert found.corrected <= 0.10


def test_doing_nothing_under_clouds_fails_every_one_of_those_bars() -> None:
    found = campaign("clouds", "off", SEEDS)
    assert found.missed == 1.0
    assert found.missed_large >= 0.7 * len(SEEDS)
    assert found.shifted >= 0.7
    assert found.corrected >= 1.0


def test_reading_the_ends_alone_misses_clouds_as_it_says() -> None:
    # Without settings corrected by measurement; published figure of our own simulation: 55 %.
    found = campaign("clouds", "ends", SEEDS, calibrated=False)
    assert 0.25 <= found.missed <= 0.70
    assert found.corrected >= 1.0


@pytest.mark.parametrize("kind", ["linear", "flutter"])
def test_drift_and_haze_are_told_and_taken_into_account(kind: str) -> None:
    found = campaign(kind, "full", range(200))  # few of them move far: more groups for a share
    assert found.missed_large == 0
    assert found.missed <= 0.12
    assert found.false_in_calm <= 0.08
    assert found.corrected <= 0.10 < found.raw


def test_a_steady_light_costs_readings_and_raises_no_alarm() -> None:
    found = campaign("steady", "full", SEEDS)
    assert found.false_alarms == 0
    assert found.seconds <= campaign("steady", "off", SEEDS).seconds + 6 * 2 * 1.5 + 2
