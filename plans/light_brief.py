"""A brief's light over a day: when each of its goals can be had, and the sun near its frame. Also as plain data."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from plans.brief import Brief, Timelapse
from plans.bulb import with_bulb
from plans.goals import finding
from plans.goals.situation import Situation
from plans.goals.windows import ev_range
from plans.light import Day, Sample, day
from plans.light_frame import day_caution, field_deg
from plans.light_page import light_lines, warnings
from plans.light_windows import Range, Reach, Window, reach
from plans.stops import Kind, Scale


@dataclass(frozen=True)
class BriefLight:
    """The light of a day for a brief.

    ``mark``: the brief's own time, when it is on that day; ``mark_words`` say so, and what light the brief has then.
    """

    title: str
    day: Day
    goals: tuple[Reach, ...]
    mark: datetime | None
    mark_words: str
    cautions: tuple[str, ...]

    def lines(self) -> list[str]:
        """For people, 80 columns wide."""
        return light_lines(self.title, self.day, self.goals, self.mark, self.cautions, self.mark_words)

    def as_json(self) -> dict[str, Any]:
        """For machines; times in ISO 8601 with their offset, open ends of ranges and what does not apply as None."""
        of = self.day
        return {
            "title": self.title,
            "date": of.date.isoformat(),
            "place": {"latitude": of.latitude, "longitude": of.longitude, "timezone": of.timezone},
            "sky": of.sky,
            "facing_deg": of.facing_deg,
            "events": [
                {
                    "event": event.kind,
                    "when": _time(event.when),
                    "altitude_deg": round(event.altitude_deg, 3),
                    "azimuth_deg": round(event.azimuth_deg, 3),
                }
                for event in of.events
            ],
            "samples": [_sample(sample) for sample in of.samples],
            "goals": [
                {
                    "goal": one.goal,
                    "ev100": [[_finite(low), _finite(high)] for low, high in one.ranges],
                    "expected": _windows(one.expected),
                    "possible": _windows(one.possible),
                    "sure": _windows(one.sure),
                }
                for one in self.goals
            ],
            "notes": list(of.notes),
            "cautions": list(self.cautions),
            "warnings": list(warnings(of)),
        }


def brief_light(brief: Brief, on: date | None = None, goals: Sequence[tuple[str, Sequence[Range]]] = ()) -> BriefLight:
    """The light for a brief on a date; None: the date that the brief is written for.

    Parameters
    ----------
    brief
        Place, time, kit and scene. Sky and facing are the scene's; where it tells no sky, any is reckoned with.
    on
        A local date.
    goals
        Names of goals, each with the ranges of EV100 in which it can be had, ascending and apart. [stops]

    Raises
    ------
    ValueError
        If the brief has no place, there is no date, or `plans.light.day` refuses it.
    """
    place, when = brief.place, brief.when
    on = on or (when.date() if when else None)
    if place is None or on is None:
        raise ValueError("the light of a day needs a place and a date")
    scene, kit = brief.scene, brief.kit
    light = day(place, on, scene.light.sky, scene.facing_deg)
    focal = kit.lens.zoom.shortest_mm if kit.lens.zoom else kit.lens.focal_length_mm
    sensor = kit.body.sensor
    caution = day_caution(light, field_deg(sensor.width_mm, focal), field_deg(sensor.height_mm, focal))
    mark = when if when is not None and light.start <= when < light.end else None
    told = (
        f"the brief's time; it has EV {scene.light.ev100:.1f}" if scene.light.origin == "brief" else "the brief's time"
    )
    reaches = tuple(reach(light, name, ranges) for name, ranges in goals)
    return BriefLight(brief.title, light, reaches, mark, told, (caution,) if caution else ())


def goal_ranges(brief: Brief) -> tuple[tuple[str, tuple[Range, ...]], ...]:
    """The brief's goals by number and name, each with the ranges of EV100 in which the kit can do it. [stops]"""
    kit, scene = brief.kit, brief.scene
    times = with_bulb(kit.body, kit.body.time)
    scales: dict[Kind, Scale] = {"aperture": kit.lens.aperture, "time": times, "iso": kit.body.iso}
    situation = Situation(kit, scene, brief.limits, scene.light.ev100, scales, brief.shown_on)
    return tuple(
        (f"{number} {finding.name(goal)}", ev_range(situation, goal))
        for number, goal in enumerate(brief.goals, 1)
        if not isinstance(goal, Timelapse)
    )


def _sample(sample: Sample) -> dict[str, Any]:
    return {
        "when": _time(sample.when),
        "ev100": round(sample.ev100, 3),
        "low": round(sample.low, 3),
        "high": round(sample.high, 3),
        "phase": sample.phase,
        "sun_altitude_deg": round(sample.sun.altitude_deg, 3),
        "sun_azimuth_deg": round(sample.sun.azimuth_deg, 3),
        "shadow_m": None if sample.shadow_m is None else _finite(sample.shadow_m),
        "direction": sample.direction.name if sample.direction else None,
        "moon_altitude_deg": round(sample.moon.altitude_deg, 3),
        "moon_azimuth_deg": round(sample.moon.azimuth_deg, 3),
        "moonlight_lx": float(f"{sample.moonlight_lx:.4g}"),
    }


def _windows(windows: Sequence[Window]) -> list[list[str]]:
    return [[_time(start), _time(end)] for start, end in windows]


def _time(when: datetime) -> str:
    return when.isoformat(timespec="seconds")


def _finite(value: float) -> float | None:
    return round(value, 3) if math.isfinite(value) else None
