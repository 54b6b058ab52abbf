"""How well the time-lapse controller follows light it was never told: ``make bench-light``.

    python -m tests.bench_light [--rounds N] [--seed S]

Draws scenes of eight families (`support_light`) over four sites, three intervals, sunset and sunrise, with a seed that
is drawn at run time and printed, and holds controllers against the smoothed truth. Prints median/worst of each figure,
then JSON. Exits with 1 when a bar is missed, or when a control that must fail passes.
"""

from __future__ import annotations

import argparse
import json
import secrets
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from support_light import FAMILIES, INTERVALS, SITES, Array, Scene, Score, draw, score
from support_light_rivals import RIVALS, calibrated, drive, drive_ours, ladder, oracle

from plans.tone import Tone


class Bar(NamedTuple):
    """What a family's runs are held to; RMS and worst error in stops, reversals a hundred frames."""

    median_rms: float
    rms: float
    most: float
    median_reversals: float
    reversals: float


# Those of a to f stand as they were set before anything was built, on scenes that change by up to 0.27 stop a minute;
# for b and f the median is the lower one that an improvement was asked to reach. g and h are ours.
BARS: dict[str, Bar] = {
    "a": Bar(0.115, 0.16, 0.5, 0.3, 1),
    "b": Bar(0.17, 0.28, 1.4, 0.5, 3),
    "c": Bar(0.145, 0.25, 0.9, 0.8, 4),
    "d": Bar(0.115, 0.16, 0.5, 0.3, 1),
    "e": Bar(0.125, 0.19, 0.7, 0.3, 2),
    "f": Bar(0.20, 0.38, 2.0, 1.3, 4),
    "g": Bar(0.15, 0.25, 1.4, 0.8, 4),
    "h": Bar(0.15, 0.25, 1.4, 0.8, 4),
}
SHARE = 0.98  # of the runs must keep to a bar for single runs
FLICKER, JITTERED, SHUTTER_JITTER = 0.010, 0.020, 0.015
GAIN, GAIN_F = 0.6, 0.9
MUST_FAIL = ("memoryless", "proportional", "integral")
ORACLE = (0.086, 0.106)

Drive = Callable[[Scene, Array, Tone], Array]


def _ours(scene: Scene, grid: Array, tone: Tone) -> Array:
    return drive_ours(scene, grid, tone=tone)


def _uncalibrated(scene: Scene, grid: Array, tone: Tone) -> Array:
    return drive_ours(scene, grid, tone=Tone())


def _oracle(scene: Scene, grid: Array, tone: Tone) -> Array:
    return oracle(scene, grid)


def _rival(name: str) -> Drive:
    return lambda scene, grid, tone: drive(scene, grid, name, tone)


CONTROLLERS: dict[str, Drive] = {
    "ours": _ours,
    "oracle": _oracle,
    **{name: _rival(name) for name in RIVALS},
    "ours, tone curve believed": _uncalibrated,
}


def scenes(seed: int, family: str, rounds: int, intervals: Sequence[float] = INTERVALS) -> Iterable[Scene]:
    """The scenes of a family: each site, interval and direction so many times."""
    for turn in range(rounds):
        for place, site in enumerate(SITES):
            for interval in intervals:
                for rising in (False, True):
                    rng = np.random.default_rng([seed, ord(family), turn, place, int(interval), rising])
                    yield draw(rng, family, site, interval, rising)


def family_scores(
    seed: int, family: str, rounds: int, names: Sequence[str], intervals: Sequence[float] = INTERVALS
) -> dict[str, list[Score]]:
    """The scores of controllers by name over a family's scenes."""
    found: dict[str, list[Score]] = {name: [] for name in names}
    for scene in scenes(seed, family, rounds, intervals):
        grid, tone = ladder(scene), calibrated(scene)
        for name in names:
            found[name].append(score(scene, CONTROLLERS[name](scene, grid, tone), grid))
    return found


def misses(family: str, scores: Sequence[Score]) -> list[str]:
    """The bars of a family that some runs miss, in words; empty when all are kept."""
    bar = BARS[family]
    rms, most, turns = (np.array([getattr(one, name) for one in scores]) for name in ("rms", "most", "reversals"))
    gain = GAIN_F if family == "f" else GAIN
    found = []
    for name, value, limit in (
        ("median RMS", np.median(rms), bar.median_rms),
        ("median reversals", np.median(turns), bar.median_reversals),
        ("clipped frames", max(one.clipped for one in scores), 0.0),
    ):
        if value > limit:
            found.append(f"{name} {value:.3f} > {limit:g}")
    for name, values, limit in (
        ("RMS", rms, bar.rms),
        ("worst error", most, bar.most),
        ("reversals", turns, bar.reversals),
        ("smoothed flicker", np.array([one.flicker for one in scores]), FLICKER),
        ("smoothed flicker with shutter jitter", np.array([one.jittered for one in scores]), JITTERED),
        ("smoothing gain", np.array([one.gain for one in scores]), gain),
    ):
        share = float(np.mean(values <= limit))
        if share < SHARE:
            found.append(f"{name} within {limit:g} in {100 * share:.1f} % of runs < {100 * SHARE:g} %")
    return found


def table(scores: Sequence[Score]) -> dict[str, list[float]]:
    """Median and worst of each figure."""
    names = ("rms", "most", "reversals", "clipped", "raw_flicker", "flicker", "jittered", "gain")
    return {
        name: [
            round(float(np.median([getattr(one, name) for one in scores])), 4),
            round(float(max(getattr(one, name) for one in scores)), 4),
        ]
        for name in names
    }


def _family(work: tuple[int, str, int, tuple[str, ...]]) -> tuple[str, dict[str, Any], dict[str, list[str]]]:
    seed, family, rounds, names = work
    found = family_scores(seed, family, rounds, names)
    return (
        family,
        {name: table(one) for name, one in found.items()},
        {n: misses(family, one) for n, one in found.items()},
    )


def figures(seed: int, rounds: int, workers: int = 2) -> dict[str, Any]:
    """All figures: by family and controller median and worst, the bars missed, and what is wrong."""
    names = tuple(CONTROLLERS)
    with ProcessPoolExecutor(workers) as pool:
        done = list(pool.map(_family, [(seed, family, rounds, names) for family in FAMILIES]))
    wrong = []
    for family, tables, missed in done:
        wrong += [f"{family}: ours misses: {text}" for text in missed["ours"]]
        wrong += [f"{family}: {name} must fail and passes" for name in MUST_FAIL if not missed[name]]
        low, high = ORACLE
        if not low <= tables["oracle"]["rms"][0] <= high:
            wrong.append(f"{family}: the oracle's median RMS is {tables['oracle']['rms'][0]}, not {low} to {high}")
    return {
        "seed": seed,
        "runs_a_family": rounds * len(SITES) * len(INTERVALS) * 2,
        "families": {family: tables for family, tables, _ in done},
        "missed": {family: missed for family, _, missed in done},
        "wrong": wrong,
    }


def main() -> int:
    """Print the figures; 1 when something is wrong."""
    parser = argparse.ArgumentParser(description="Judge the time-lapse controller on scenes drawn at run time.")
    parser.add_argument("--rounds", type=int, default=4, help="times 24 runs a family and controller")
    parser.add_argument("--seed", type=int, default=None, help="drawn when left out")
    chosen = parser.parse_args()
    seed = secrets.randbelow(10**9) if chosen.seed is None else chosen.seed
    print(f"seed {seed}", flush=True)
    found = figures(seed, chosen.rounds)
    print(f"{'':2}{'':26}{'RMS':>12}{'worst':>12}{'reversals':>12}{'flicker':>12}{'gain':>12}")
    for family, tables in found["families"].items():
        for name, one in tables.items():
            cells = [f"{one[key][0]:.3f}/{one[key][1]:.3f}" for key in ("rms", "most", "reversals", "flicker", "gain")]
            print(f"{family:2}{name:26}{''.join(f'{cell:>12}' for cell in cells)}")
    print(json.dumps(found))
    for text in found["wrong"]:
        print(f"WRONG {text}")
    return 1 if found["wrong"] else 0


if __name__ == "__main__":
    raise SystemExit(main())
