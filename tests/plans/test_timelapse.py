"""Time-lapses in briefs and plans: when they run, their ladder of settings, what is said of them beforehand."""

from __future__ import annotations

import math
from datetime import datetime
from fractions import Fraction
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas
import pytest
from pvlib import spa
from support_plans import demo

from plans import stars
from plans.compiler import compile_brief, recompile
from plans.errors import BriefError
from plans.explain import explain
from plans.goals.timelapse import controller_of, due_s
from plans.light_control import Tuning
from plans.plan import LightBasis, OperatorStep, Plan, Rig, TimelapseStep, plan_json, read_plan
from plans.plan_check import check_plan
from plans.pocket_card import card, card_text
from plans.rehearsal import summary

PLACE = {"latitude": "51.0", "longitude": "0.0", "timezone": "Europe/London"}
DUSK = {"interval": "15 s", "start": "sunset - 40 min", "end": "sunset + 100 min", "focus": "heron"}


def planned(lapse: dict[str, Any], when: str = "2026-10-20 16:30", **changes: Any) -> Plan:
    """The plan of one time-lapse at the fountain."""
    return compile_brief(demo(**{"goals": [{"timelapse": lapse}], "place": PLACE, "when": when, **changes}))


def lapse_of(plan: Plan) -> TimelapseStep:
    """The one time-lapse of a plan, which can be run."""
    assert not plan.unreachable, plan.unreachable
    (step,) = (step for step in plan.steps if isinstance(step, TimelapseStep))
    return step


def dusk(**changes: Any) -> TimelapseStep:
    """A time-lapse over an evening in October, with changes."""
    lapse = {word: value for word, value in {**DUSK, **changes}.items() if value is not None}
    return lapse_of(planned(lapse))


def refused(lapse: dict[str, Any], **changes: Any) -> str:
    """The one complaint that a brief earns."""
    with pytest.raises(BriefError) as caught:
        planned(lapse, **changes)
    (complaint,) = caught.value.complaints
    return str(complaint)


def spa_sunset(day: str, latitude: float, longitude: float) -> float:
    """Sunset as seconds of the epoch: the root of NREL's solar position algorithm, centre 50' down, without air."""
    low = pandas.Timestamp(f"{day} 12:00", tz="UTC").timestamp()
    high = low + 8 * 3600
    for _ in range(40):
        middle = (low + high) / 2
        found = spa.solar_position(np.array([middle]), latitude, longitude, 0, 1013, 12, 69, 0)
        geometric = float(found[3][0])
        low, high = (middle, high) if geometric > -50 / 60 else (low, middle)
    return low


def test_a_start_before_sunset_agrees_with_nrel_s_algorithm() -> None:
    # Roots of the elevation are taken: a library's own sunset routine labels days wrongly west of Greenwich.
    start = datetime.fromisoformat(dusk().start or "")
    assert start.timestamp() == pytest.approx(spa_sunset("2026-10-20", 51.0, 0.0) - 40 * 60, abs=2)


def test_an_end_by_the_sun_is_the_first_one_after_the_start() -> None:
    night = dusk(interval="2 min", end="sunrise + 30 min")
    assert 13 * 3600 < night.duration_s < 15 * 3600
    assert night.frames == math.floor(night.duration_s / 120 + 1e-6) + 1


@pytest.mark.parametrize(
    ("told", "frames", "duration_s"),
    [
        ({"for": "50 min", "interval": "10 s"}, 301, 3000),
        ({"frames": "300", "interval": "10 s"}, 300, 2990),
        # A film of 10 s has 240, 250 or 300 frames at 24, 25 or 30 a second.
        ({"film": "10 s", "rate": "24", "interval": "10 s"}, 240, 2390),
        ({"film": "10 s", "interval": "10 s"}, 250, 2490),
        ({"film": "10 s", "rate": "30", "interval": "10 s"}, 300, 2990),
    ],
)
def test_an_end_may_be_told_as_duration_frames_or_film(told: dict[str, str], frames: int, duration_s: float) -> None:
    step = dusk(**{"end": None, **told})
    assert (step.frames, step.duration_s) == (frames, duration_s)


def test_a_change_of_interval_moves_no_frame_and_gives_longer_times() -> None:
    step = dusk(changes=[{"at": "civil twilight ends", "interval": "30 s"}])
    first, second = step.parts
    assert (first.interval_s, second.interval_s) == (15, 30)
    due = [due_s(step, frame) for frame in range(step.frames)]
    assert [b - a for a, b in pairwise(due)] == [15.0] * second.first + [30.0] * (step.frames - second.first - 1)
    assert due[-1] == step.duration_s
    # Exact times, not labels: 13 s is 12.7 s and fits 15 s, 25 s is 25.4 s and fits 30 s, 30 s is 32 s and does not.
    assert [part.rungs[-1].time.mark for part in step.parts] == ["13", "25"]


def test_the_ladder_rises_in_time_first_and_then_in_iso_without_a_gap() -> None:
    (part,) = dusk().parts
    lights = [rung.light for rung in part.rungs]
    assert [b - a for a, b in pairwise(lights)] == pytest.approx([1 / 3] * (len(lights) - 1), abs=1e-6)
    base, longest = part.rungs[0].iso.exact, part.rungs[-1].time.exact
    assert all(rung.iso.exact == base or rung.time.exact == longest for rung in part.rungs)
    wide = dusk().settings.aperture.exact
    for rung in part.rungs:  # APEX, and the light lost at 2 m with 50 mm
        lost = 2 * math.log2(1 + 50 / 1950)
        given = math.log2(rung.time.exact * rung.iso.exact / 100) - 2 * math.log2(wide)
        assert rung.light == pytest.approx(given - lost, abs=1e-6)


@pytest.mark.parametrize("step", ["1", "1/2", "1/3"])
def test_the_ladder_is_the_camera_s_own_scale(step: str) -> None:
    plan = planned(
        DUSK,
        kit__body__time={"from": "1/8000", "to": "30 s", "step": step},
        kit__body__iso={"from": "100", "to": "6400", "step": "1"},
    )
    (part,) = lapse_of(plan).parts
    times = [rung.light for rung in part.rungs if rung.iso.mark == "100"]
    assert {round(b - a, 6) for a, b in pairwise(times)} == {round(float(Fraction(step)), 6)}
    isos = [rung.light for rung in part.rungs[len(times) - 1 :]]
    assert [b - a for a, b in pairwise(isos)] == pytest.approx([1.0] * 6)


def test_limits_shorten_the_longest_time() -> None:
    assert dusk(longest="2 s").parts[0].rungs[-1].time.mark == "2"
    assert dusk(stars="500 rule").parts[0].longest_s == pytest.approx(10, rel=0.01)
    assert dusk(stars="2 px").parts[0].rungs[-1].time.exact <= 2 * 1.65
    moving = dusk(still="spout").parts[0]
    assert moving.rungs[-1].time.exact < 1 / 50
    assert dusk(iso_at_most="800").parts[0].rungs[-1].iso.mark == "800"


def test_stars_trail_as_the_turn_of_the_sky_says() -> None:
    # 15.041 seconds of arc a second: the sky turns once in a sidereal day of 86164.1 s.
    assert stars.trail_mm(1, 86164.1) == pytest.approx(2 * math.pi, rel=1e-5)
    # One pixel of 5.97 um at 24 mm takes 3.41 s, of 4.3 um at 20 mm 2.95 s: reckoned by hand.
    assert stars.time_for_trail_s(24, 0.00597) == pytest.approx(3.41, abs=0.005)
    assert stars.time_for_trail_s(20, 0.0043) == pytest.approx(2.95, abs=0.005)
    # The rule of 500 gives 10 s at 50 mm, and twice that at declination 60 (Morison, on its use): 0.0365 mm of trail.
    assert stars.rule_of_500_s(50) == 10
    assert stars.trail_mm(50, 10) == pytest.approx(0.0365, abs=0.0001)
    assert stars.trail_mm(50, 20, 60) == pytest.approx(stars.trail_mm(50, 10))
    assert stars.time_for_trail_s(50, 0.03, 90) == math.inf


def test_half_a_turn_of_the_shutter_is_half_the_interval() -> None:
    # Published: at 24 frames a second 180 degrees are 1/48 s, 1/50 s is 172.8 degrees and 1/60 s is 144.
    assert stars.time_for_angle_s(180, 1 / 24) == pytest.approx(1 / 48)
    assert stars.shutter_angle_deg(1 / 50, 1 / 24) == pytest.approx(172.8)
    assert stars.shutter_angle_deg(1 / 60, 1 / 24) == pytest.approx(144)
    (text,) = (text for text in dusk().expects if "180 degrees" in text)
    assert "7.5 s" in text


def test_a_stopped_down_aperture_is_told_to_flicker_unless_a_ring_sets_it() -> None:
    def told(**changes: Any) -> bool:
        return any("stopped down" in text for text in dusk(**changes).expects)

    assert told(aperture="f/5.6")
    assert not told(aperture="f/5.6", ring="yes")
    assert not told()


def test_light_too_bright_for_the_ladder_is_refused_with_what_helps() -> None:
    noon = {"interval": "10 s", "for": "1 h", "start": "12:00", "focus": "heron"}
    slow = {"from": "1/1000", "to": "30 s", "step": "1/3"}
    there = {"when": "2026-06-21 12:00", "scene__light": {"ev100": "16"}, "kit__body__time": slow}
    (item,) = planned(noon, **there).unreachable
    assert "too bright" in item.reasons[0]
    assert any("through:" in remedy for remedy in item.remedies)
    assert any("aperture:" in remedy for remedy in item.remedies)
    fitted = planned({**noon, "through": "ND 64"}, **there)
    assert [item.name for item in lapse_of(fitted).settings.filters] == ["ND 64"]
    assert [one.action for one in fitted.steps if isinstance(one, OperatorStep)] == ["compose", "filters"]


def test_a_dark_end_out_of_reach_is_told_with_its_hour() -> None:
    near = dusk(end="sunset + 3 h", iso_at_most="100")
    (text,) = (text for text in near.expects if text.startswith("Dark end"))
    assert "not reached from" in text and "darker than wanted" in text
    first = next(point for point in near.light if point.rung == len(near.parts[0].rungs) - 1)
    assert 0 < first.at_s < near.duration_s
    (text,) = (text for text in dusk(end="sunset + 10 min").expects if text.startswith("Dark end"))
    assert "within reach" in text


def test_the_light_expected_falls_as_published_over_dusk() -> None:
    # USNO and AMS: 400 lx about sunset, 3.4 lx at the end of civil twilight: 6.9 stops; the scene is moved as a whole.
    light = dusk().light
    at = {name: min(light, key=lambda p: abs(p.sun_deg - deg)) for name, deg in (("set", -0.833), ("dusk", -6.0))}
    assert at["set"].ev100 - at["dusk"].ev100 == pytest.approx(math.log2(400 / 3.4), abs=0.5)


def test_moon_and_stars_are_told_of_at_night_only() -> None:
    night = dusk(interval="1 min", end="sunset + 6 h").expects
    assert any("moon is up" in text and "% lit" in text for text in night)
    assert any("trail" in text for text in night)
    assert not any("moon" in text or "trail" in text for text in dusk(end="sunset + 5 min").expects)


def test_cautions_of_a_night_stand_at_the_step_once() -> None:
    site = {"near": ["coast"], "leave_by": "18:30"}
    plan = planned(DUSK, scene__site=site, scene__facing="250 deg")
    texts = lapse_of(plan).cautions
    for word in ("dark", "thunder", "dew", "sun stands", "tide"):
        assert sum(word in text for text in texts) == 1, word
    assert any("end it earlier" in text for text in texts)
    shown = [text for step in plan.steps for text in step.cautions] + list(plan.cautions)
    assert len(shown) == len(set(shown))
    day = lapse_of(planned({**DUSK, "start": "11:00", "end": "11:20"}, scene__facing="0 deg"))
    assert not any("dark" in text or "dew" in text or "thunder" in text for text in day.cautions)


def test_the_estimate_counts_card_and_pictures_of_the_time_lapse() -> None:
    jpeg, raw = planned(DUSK), planned({**DUSK, "record": "RAW"})
    assert jpeg.estimate.frames == lapse_of(jpeg).frames
    assert raw.estimate.card_mb and jpeg.estimate.card_mb
    # 24 megapixels of 14 bits, packed, are 42 MB.
    assert raw.estimate.card_mb / (lapse_of(raw).frames + 9) == pytest.approx(42, abs=1)
    assert jpeg.estimate.duration_s and jpeg.estimate.duration_s > lapse_of(jpeg).duration_s


def test_a_plan_with_a_time_lapse_reads_back_to_itself_and_follows_from_its_inputs() -> None:
    plan = planned({**DUSK, "changes": [{"at": "18:40", "interval": "30 s"}]})
    again = read_plan(plan_json(plan), "plan.json")
    assert plan_json(again) == plan_json(plan)
    check_plan(again, "plan.json")
    assert plan_json(planned({**DUSK, "changes": [{"at": "18:40", "interval": "30 s"}]})) == plan_json(plan)
    darker = recompile(
        plan, LightBasis(ev100=11.0, origin="metered"), Rig(focus=lapse_of(plan).settings.focus, metered=True)
    )
    assert lapse_of(darker).light[0].ev100 == pytest.approx(lapse_of(plan).light[0].ev100 - 2, abs=1e-6)


def test_a_time_lapse_comes_after_the_pictures_and_its_controller_can_be_made_from_the_step() -> None:
    goals: list[Any] = [{"timelapse": DUSK}, {"deep": {"from": "heron", "to": "hedge"}}]
    plan = planned(DUSK, goals=goals)
    assert isinstance(plan.steps[-1], TimelapseStep)
    step = lapse_of(plan)
    controller = controller_of(step)
    assert controller.tuning == Tuning()
    assert controller.nearest(controller.look.light(step.light[0].ev100)) == step.light[0].rung
    for text in (summary(plan), explain(plan), card_text(card(plan))):
        assert "frames" in text
        assert max(map(len, text.splitlines())) <= 80


def test_without_place_and_time_a_time_lapse_begins_on_command() -> None:
    plan = planned({"interval": "20 s", "for": "2 h", "focus": "heron"}, place=None, when=None)
    step = lapse_of(plan)
    assert step.start is None and step.light == ()
    assert "on your command" in step.expects[0]


def test_a_sunset_that_does_not_come_is_told() -> None:
    north = {"latitude": "69.0", "longitude": "20.0", "timezone": "Europe/Oslo"}
    plan = planned(DUSK, when="2026-06-21 12:00", place=north)
    (item,) = plan.unreachable
    assert "no sunset - 40 min" in item.reasons[0]


def test_an_hour_that_comes_twice_lengthens_the_night() -> None:
    lapse = {"interval": "5 min", "start": "2026-10-24 22:00", "end": "2026-10-25 06:00", "focus": "heron"}
    step = lapse_of(planned(lapse, when="2026-10-24 16:00"))
    assert step.duration_s == 9 * 3600
    assert datetime.fromisoformat(step.start or "").astimezone(ZoneInfo("Europe/London")).hour == 22


@pytest.mark.parametrize(
    ("lapse", "told"),
    [
        ({"interval": "20 s", "focus": "heron"}, "exactly one of end, for, frames and film"),
        ({"interval": "20 s", "focus": "heron", "for": "1 h", "frames": "20"}, "Keep one of for, frames"),
        ({"interval": "20", "focus": "heron", "for": "1 h"}, "20 s, if s is meant"),
        ({"interval": "20 s", "focus": "heron", "start": "sunst", "for": "1 h"}, "Did you mean sunset?"),
        ({"interval": "20 s", "focus": "heron", "start": "sunset + 40", "for": "1 h"}, "40 s, if s is meant"),
        ({"interval": "20 s", "focus": "heron", "end": "sunset"}, "Add start"),
        ({"interval": "20 s", "focus": "heron", "for": "1 h", "aperture": "f/1.2"}, "The nearest is f/1.8"),
        ({"interval": "20 s", "focus": "heron", "for": "1 h", "stars": "0.1 px"}, "half a pixel"),
    ],
)
def test_a_time_lapse_written_wrongly_is_told_what_to_write(lapse: dict[str, str], told: str) -> None:
    assert told in refused(lapse)


def test_a_start_by_the_sun_needs_a_place() -> None:
    lapse = {"interval": "20 s", "focus": "heron", "start": "sunset", "for": "1 h"}
    assert "Add `place:`" in refused(lapse, place=None, when=None)
