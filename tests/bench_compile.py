"""Benchmark of the compiler: a brief of twelve goals on a full body, beside a naive search of the full grid.

26 apertures, 55 times, 30 ISO marks, 8 sets of filters. The baseline does for each frame what one would write down
first: every setting of the grid at once, brightness and the goal's own condition as masks, the cheapest by a sort. It
knows nothing of groups, holds, spread, hands or order, and so does less than the compiler.
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from plans.brief import Brief
from plans.compiler import compile_brief
from plans.light import day
from plans.light_brief import goal_ranges
from plans.light_windows import reach
from plans.plan import ExposeStep, LightBasis
from plans.reading import read_brief

TWELVE_GOALS = """
stopwright: 1
title: Fountain, twelve goals
place: {latitude: 52.0, longitude: 0.0, timezone: Europe/London}
when: 2026-10-20 15:30
kit:
  body:
    name: full body
    sensor: {width: 35.9 mm, height: 24.0 mm, pixels: [6000, 4000]}
    iso: {from: 100, to: 80000, step: 1/3}
    time: {from: 1/8000 s, to: 30 s, step: 1/3}
  lens: {focal_length: 50 mm, aperture: {from: f/1.2, to: f/22, step: 1/3}, nearest_focus: 0.45 m, focus_by: hand}
  filters:
    - {name: ND 8, stops: 3}
    - {name: ND 64, density: 1.8}
    - {name: ND 1000, density: 3.0}
  support: tripod
scene:
  light: {ev100: 13}
  subjects:
    spout: {distance: 3 m, speed: 3 m/s}
    basin: {distance: 2.6 m, speed: 0.5 m/s}
    heron: {distance: 2 m, depth: 0.2 m}
    hedge: {distance: 8 m}
goals:
  - compare: [{freeze: spout}, {silk: spout}]
    hold: [aperture, focus]
  - isolate: heron
  - deep: {from: heron, to: hedge}
  - ladder: {change: aperture, by: 1, balance: time, focus: heron}
  - ladder: {change: aperture, by: 1, hold: time, balance: iso, focus: heron}
  - bracket: {change: time, by: 1, count: 5, focus: heron}
  - freeze: basin
  - silk: basin
  - ladder: {change: time, by: 1, balance: aperture, focus: spout}
  - bracket: {change: aperture, by: 1, count: 3, focus: hedge}
  - compare: [{isolate: heron}, {deep: {from: heron, to: hedge}}]
    hold: [iso]
  - noise: {focus: hedge}
limits: {spread: 1/6}
"""


def seconds(act: Callable[[], Any]) -> float:
    """Wall time of one call. [s]"""
    began = time.perf_counter()
    act()
    return time.perf_counter() - began


def windows(brief: Brief) -> int:
    """Every goal's windows over the brief's day; how many there are."""
    assert brief.place and brief.when
    light = day(brief.place, brief.when.date(), brief.scene.light.sky, brief.scene.facing_deg)
    return sum(len(reach(light, name, ranges).expected) for name, ranges in goal_ranges(brief))


def naive(brief: Brief, frames: list[ExposeStep]) -> int:
    """The full grid for each frame of a plan: brightness and one mask of its own; how many were found."""
    kit = brief.kit
    aperture = np.array([mark.exact for mark in kit.lens.aperture.marks])[:, None, None, None]
    time_s = np.array([mark.exact for mark in kit.body.time.marks])[None, :, None, None]
    iso = np.array([mark.exact for mark in kit.body.iso.marks])[None, None, :, None]
    stops = np.array([sum(f.stops for n, f in enumerate(kit.filters) if bits >> n & 1) for bits in range(8)])
    found = 0
    for frame in frames:
        loss = frame.predicted.magnification_loss
        level = brief.scene.light.ev100 + np.log2(time_s * iso / 100 / aperture**2) - stops - loss
        fits = np.abs(level - frame.intended_offset) <= 1 / 6 + 1e-9
        if frame.goal.startswith("freeze"):
            fits &= time_s <= frame.settings.time.exact * 1.001
        elif frame.goal.startswith("silk"):
            fits &= time_s >= 0.25
        elif "ladder" in frame.goal or "bracket" in frame.goal:
            fits &= np.isclose(aperture, frame.settings.aperture.exact)
        else:
            fits &= aperture >= frame.settings.aperture.exact * 0.999
        a, t, i, f = np.nonzero(fits)
        sixths = np.abs(np.log2(aperture[a, 0, 0, 0] ** 2) - 6)
        order = np.lexsort((i, t, a, np.abs(level[a, t, i, f]), sixths, i, f))
        found += bool(order.size)
    return found


def thousand() -> dict[str, Any]:
    """A thousand such briefs, each in another light; run in a process of its own for its memory."""
    brief = read_brief(TWELVE_GOALS, "twelve")
    compile_brief(brief)
    before = resource.getrusage(resource.RUSAGE_SELF)
    for n in range(1000):
        compile_brief(brief, light=LightBasis(ev100=8 + n / 125))
    after = resource.getrusage(resource.RUSAGE_SELF)
    return {
        "cpu_s": after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime,
        "peak_mb": after.ru_maxrss / 1024,
    }


def figures() -> dict[str, Any]:
    """All figures of the compiler."""
    brief = read_brief(TWELVE_GOALS, "twelve")
    made = compile_brief(brief)
    assert not made.unreachable and naive(brief, list(made.exposing)) == len(made.exposing)
    mine = statistics.median(seconds(lambda: compile_brief(brief)) for _ in range(15))
    with_windows = statistics.median(seconds(lambda: (compile_brief(brief), windows(brief))) for _ in range(15))
    baseline = statistics.median(seconds(lambda: naive(brief, list(made.exposing))) for _ in range(3))
    alone = subprocess.run(
        [sys.executable, "-m", "tests.bench_compile", "--thousand"], capture_output=True, text=True, check=True
    )
    return {
        "pictures": len(made.exposing),
        "compile_s": mine,
        "compile_and_all_windows_s": with_windows,
        "naive_full_grid_s": baseline,
        "naive_over_compile": baseline / mine,
        "day_cold_s": statistics.median(seconds(lambda: _cold_day(brief)) for _ in range(10)),
        "thousand_briefs": json.loads(alone.stdout),
    }


def _cold_day(brief: Brief) -> None:
    from plans import light

    light._day.cache_clear()
    light._course.cache_clear()
    assert brief.place and brief.when
    light.day(brief.place, brief.when.date())


if __name__ == "__main__":
    print(json.dumps(thousand() if "--thousand" in sys.argv else figures(), indent=2))
