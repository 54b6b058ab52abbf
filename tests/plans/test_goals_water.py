"""Freeze and silk with their grades and overrides, held against smears reckoned here."""

from __future__ import annotations

import pytest
from support_goals import COC, HEIGHT, PIXELS, WIDTH, planned, reached, refused, smear_mm, told


def smear(step, speed=3.0, at=3.0):
    return smear_mm(50, step.settings.focus.distance_m, at, speed, step.settings.time.exact)


# Freeze


@pytest.mark.parametrize(
    ("within", "most_mm"), [("2 px", 2 * WIDTH / PIXELS), ("0.02 mm", 0.02), ("0.0005 in", 0.0127), (None, COC)]
)
def test_what_is_frozen_smears_no_more_than_the_brief_or_the_circle_of_confusion_allows(within, most_mm):
    goal = {"freeze": {"subject": "spout", "within": within} if within else "spout"}
    (step,) = reached(goal, kit__lens__aperture={"marks": ["f/1.8", "f/2"]})
    assert smear(step) <= most_mm
    assert step.predicted.smear_px["spout"] == pytest.approx(smear(step) / WIDTH * PIXELS)
    assert ("set in the brief" in step.criteria[0]) == bool(within)
    # Negative control: where only longer times are left, it cannot be had.
    longest = most_mm / smear(step) * step.settings.time.exact
    slower = [f"1/{round(1 / time)}" for time in (longest * 1.3, longest * 1.7)]
    item = refused(goal, kit__body__time={"marks": slower})
    assert "too long" in item.reasons[0]


def test_freezing_that_no_time_is_short_enough_for_names_a_smear_that_would_do():
    goal, times = {"freeze": {"subject": "spout", "within": "1 px"}}, {"marks": ["1/2000", "1/1000", "1/500"]}
    item = refused(goal, kit__body__time=times)
    assert "1/8498 s or shorter" in item.reasons[0]  # 1 px of 35.9 mm / 6000, over 3 m/s at m = 50 / 2950
    assert round(3000 * 50 / 2950 / (WIDTH / PIXELS)) == 8498
    within = told(r"within: ([\d.]+ mm)", item.remedies)
    assert reached({"freeze": {"subject": "spout", "within": within}}, kit__body__time=times)


def test_only_the_part_of_a_speed_that_crosses_the_view_must_be_frozen():
    spout = {"distance": "3 m", "speed": "3 m/s", "direction": "30 deg"}
    marks = {"marks": ["1/1000", "1/500", "1/250"]}  # sin 30 degrees is a half
    (step,) = reached({"freeze": "spout"}, scene__subjects__spout=spout, kit__body__time=marks)
    assert smear(step, speed=1.5) <= COC < smear(step, speed=3.0)
    assert refused({"freeze": "spout"}, kit__body__time=marks)


# Silk

# Shares of the frame's height: common practice, no source.
GRADES = [("flowing", 0.10, 0.25), ("silk", 0.25, 1.0), ("veil", 2.0, float("inf"))]


@pytest.mark.parametrize(("grade", "low", "high"), GRADES)
def test_each_grade_of_silk_smears_over_its_share_of_the_frames_height(grade, low, high):
    goal = {"silk": {"subject": "spout", "grade": grade}}
    (step,) = reached(goal)
    assert low <= smear(step) / HEIGHT <= high
    assert f"{round(low * 100)} %" in step.criteria[0] and "common practice, no source" in step.criteria[0]
    # Negative control: times on either side of the range do not do.
    wrong = [time for time in (low * 0.8, high * 1.3) if time < 10]
    marks = {"marks": [f"{share * HEIGHT / (3000 * 50 / 2950):.4f} s" for share in wrong]}
    assert refused(goal, kit__body__time=marks)


def test_a_veil_says_what_ends_it():
    (step,) = reached({"silk": {"subject": "spout", "grade": "veil"}})
    assert "longest time on the scale, 30 s, and the light end it" in step.criteria[1]
    assert "veil" in step.caption and "(veil)" in step.goal


def test_published_waterfall_times_fall_into_the_grades():
    # Photographers' articles: 1/15 s slightly silky, 1/4 s and 1 s silky; here water of 3 m/s, 2 m away, 50 mm.
    shares = {time: smear_mm(50, 2.0, 2.0, 3.0, time) / HEIGHT for time in (1 / 15, 1 / 4, 1.0)}
    assert 0.10 <= shares[1 / 15] <= 0.25
    assert 0.25 <= shares[1 / 4] <= 1.0
    assert shares[1.0] >= 2.0


@pytest.mark.parametrize(
    ("share", "low", "high"), [(["30 %", "35 %"], 0.30, 0.35), ("6 %", 0.06, 0.12), (["3 %", "4 %"], 0.03, 0.04)]
)
def test_a_share_of_ones_own_takes_the_place_of_the_grade_and_of_its_floor(share, low, high):
    (step,) = reached({"silk": {"subject": "spout", "share": share}})
    assert low <= smear(step) / HEIGHT <= high
    assert len(step.criteria) == 1 and "set in the brief" in step.criteria[0]


def test_the_floor_of_a_quarter_second_stays_for_silk_against_the_frame_alone():
    # At 4.5 m/s 1/8 s smears over 40 % of the frame's height: far enough, but short.
    fast = {"distance": "3 m", "speed": "4.5 m/s"}
    eighth = {"scene__subjects__spout": fast, "kit__body__time": {"marks": ["1/8", "1/15"]}}
    assert "wants 1/4 s to" in refused({"silk": "spout"}, **eighth).reasons[0]
    for free in ({"length": "2 m"}, {"share": ["25 %", "100 %"]}):
        (step,) = reached({"silk": {"subject": "spout", **free}}, **eighth)
        assert step.settings.time.mark == "1/8" and len(step.criteria) == 1


def test_a_veil_without_a_filter_says_how_much_too_bright_and_both_kinds_of_remedy_work():
    veil = {"silk": {"subject": "spout", "grade": "veil"}}
    item = refused(veil, kit__filters=[])
    assert "a veil of spout wants at least 1 s: " in item.reasons[0] and "too bright" in item.reasons[0]
    stops = told(r"filter of (\d+) stops", item.remedies)
    assert reached(veil, kit__filters=[{"name": "dark", "stops": stops}])
    grade = told(r"grade: (\w+)", item.remedies)
    assert reached({"silk": {"subject": "spout", "grade": grade}}, kit__filters=[])
    # Negative control: a stop less of filter does not do.
    assert refused(veil, kit__filters=[{"name": "dark", "stops": str(int(stops) - 1)}])


def test_leaves_that_only_swing_are_not_drawn_out_by_any_time():
    hedge = {"distance": "8 m", "foliage": "yes"}
    item = refused({"silk": "hedge"}, scene__subjects__hedge=hedge, scene__wind="3 m/s")
    assert "only swings to and fro" in item.reasons[0]


def test_a_comparison_says_what_had_to_change_besides_and_eases_one_of_its_goals():
    pair = {"compare": [{"freeze": "spout"}, {"silk": {"subject": "spout", "grade": "veil"}}]}
    (note,) = planned(pair).groups
    assert any("had to change as well" in line and "filters" in line for line in note.criteria)
    item = refused(pair, kit__filters=[])
    eased = told(r"in silk draw it out less: grade: (\w+)", item.remedies)
    pair["compare"][1]["silk"]["grade"] = eased
    assert planned(pair, kit__filters=[]).groups
