"""Goals in the fountain scene for tests, and optics reckoned anew: thin lens by image distances, smear, brightness."""

from __future__ import annotations

import math
import re
from typing import Any

from support_plans import demo

from plans.brief import Brief
from plans.compiler import compile_brief
from plans.goals.situation import Situation
from plans.plan import ExposeStep, GroupNote, Plan, Unreachable
from plans.stops import Kind, Scale

WIDTH, HEIGHT, PIXELS = 35.9, 24.0, 6000
# 0.03 mm on full frame, scaled by the diagonal: common practice, no source.
COC = 0.03 * math.hypot(WIDTH, HEIGHT) / math.hypot(36, 24)
ZOOM = {
    "focal_length": {"from": "24 mm", "to": "70 mm", "set": "50 mm"},
    "aperture": {"from": "f/2.8", "to": "f/22", "step": "1/3"},
    "widest": {"24 mm": "f/2.8", "70 mm": "f/5.6"},
    "nearest_focus": "0.4 m",
}
ND_8 = {"name": "ND 8", "stops": "3"}
POLARISER = {"name": "polariser", "stops": "1.3", "kind": "polariser", "most": "2"}


def planned(*goals: Any, **changes: Any) -> Plan:
    """The plan for these goals in the demo brief with parts of it changed."""
    return compile_brief(demo(goals=list(goals), **changes))


def reached(*goals: Any, **changes: Any) -> list[ExposeStep]:
    """The pictures of these goals, all of which can be had."""
    plan = planned(*goals, **changes)
    assert not plan.unreachable, plan.unreachable
    return list(plan.exposing)


def the_group(goal: Any, **changes: Any) -> tuple[GroupNote, list[ExposeStep]]:
    """One goal's group and its pictures, in shooting order."""
    plan = planned(goal, **changes)
    (note,) = plan.groups
    return note, list(plan.exposing)


def refused(goal: Any, **changes: Any) -> Unreachable:
    """Why one goal cannot be had; there always are reasons and remedies."""
    (item,) = planned(goal, **changes).unreachable
    assert item.reasons and item.remedies
    return item


def told(pattern: str, texts: tuple[str, ...]) -> str:
    """The first group of a pattern in one of the texts."""
    found = [match for text in texts if (match := re.search(pattern, text))]
    assert found, (pattern, texts)
    return found[0][1]


def behind_mm(focal_mm: float, distance_m: float) -> float:
    """Where a thin lens images something, behind it: 1/f = 1/s + 1/s'. [mm]"""
    return 1 / (1 / focal_mm - 1 / (distance_m * 1000))


def magnification(focal_mm: float, distance_m: float) -> float:
    """Image distance over object distance. [unitless]"""
    return behind_mm(focal_mm, distance_m) / (distance_m * 1000)


def disc_mm(focal_mm: float, aperture: float, focus_m: float, at_m: float) -> float:
    """Blur of a point: the cone behind a lens of diameter f/N, cut where the sensor stands. [mm]"""
    sensor, image = behind_mm(focal_mm, focus_m), behind_mm(focal_mm, at_m)
    return focal_mm / aperture * abs(sensor - image) / image


def is_sharp(focal_mm: float, aperture: float, focus_m: float, at_m: float, coc_mm: float = COC) -> bool:
    """Whether a point blurs by no more than the circle of confusion, to nine digits."""
    return disc_mm(focal_mm, aperture, focus_m, at_m) <= coc_mm * (1 + 1e-6)


def smear_mm(focal_mm: float, focus_m: float, at_m: float, speed_m_s: float, time_s: float) -> float:
    """Way on the sensor of something crossing the view: its own, times image distance over its distance. [mm]"""
    return speed_m_s * time_s * behind_mm(focal_mm, focus_m) / at_m


def level(step: ExposeStep, ev: float, focal_mm: float = 50.0) -> float:
    """Brightness against the metered one, with the light lost to magnification. [stops]"""
    s = step.settings
    bare = math.log2(2**ev * s.time.exact / s.aperture.exact**2 * s.iso.exact / 100)
    m = magnification(focal_mm, s.focus.distance_m)
    return bare - sum(item.stops for item in s.filters) - 2 * math.log2(1 + m)


def situation_of(brief: Brief) -> Situation:
    """The situation of a brief in its own light."""
    kit = brief.kit
    scales: dict[Kind, Scale] = {"aperture": kit.lens.aperture, "time": kit.body.time, "iso": kit.body.iso}
    return Situation(kit, brief.scene, brief.limits, brief.scene.light.ev100, scales, brief.shown_on)
