"""Which part of the garden stands in for which subject of somebody else's scene.

The garden has three things at distances of their own: a stone heron in front, a fountain whose water falls at a stated
speed, a yew hedge behind; and a branch for the wind. They take a scene's distances and speeds, never its looks.
"""

from __future__ import annotations

from dataclasses import dataclass

from hardware_mocks.script import Distances, Glass, Leaves, SceneScript
from plans.brief import Brief
from plans.scene import Subject

NEAREST_M, FARTHEST_M = 0.2, 1e6  # where the garden's things can stand [m]
_BEHIND = 4.0  # how many times as far the hedge stands where a scene has but one thing: an assumption
_CLOSE_UP = 0.1  # magnification from which on the picture is kept framed as it is for far things


@dataclass(frozen=True)
class StandIn:
    """A garden for a brief: its script, and a sentence for each subject on what stands in for it."""

    script: SceneScript
    mapped: tuple[str, ...]


def _metres(value: float) -> str:
    return f"{value:.3g} m" if value < 1000 else f"{value / 1000:.3g} km"


def _inside(distance_m: float) -> float:
    return min(max(distance_m, NEAREST_M), FARTHEST_M)


def _order(brief: Brief) -> list[Subject]:
    """Subjects, those that goals name first; of equals, in the brief's order."""
    named = repr(brief.source.get("goals", ""))
    return sorted(brief.scene.subjects.values(), key=lambda subject: subject.name not in named)


def stand_in(brief: Brief, moved_m: float = 0.0) -> StandIn:
    """The garden for a brief's scene.

    Parameters
    ----------
    moved_m
        How much farther from everything the camera stands than the brief says. [m]
    """
    subjects = _order(brief)
    told: dict[str, str] = {}
    moving = [s for s in subjects if s.across_m_s > 0 and not s.foliage]
    water = moving[0] if moving else None
    leafy = next((s for s in subjects if s.foliage), None)
    still = sorted((s for s in subjects if s not in moving and s is not leafy), key=lambda s: s.distance_m)
    far = still.pop() if len(still) > 1 or (still and water is not None and _is_behind(still[0], water)) else None
    near = still.pop(0) if still else None
    rest = [*still, *moving[1:]]
    scenery = []
    at = {s.name: _inside(s.distance_m + moved_m) for s in subjects}
    hedge_m = at[far.name] if far is not None else _inside(_BEHIND * max(at.values(), default=2.0))
    heron_m = at[near.name] if near is not None else 0.0
    middle = next((s for s in rest if s not in moving), None) if water is None else None
    if water is not None:
        spout_m, speed = at[water.name], water.across_m_s
        told[water.name] = f"{water.name} is the fountain's water, at {_metres(spout_m)}, {speed:.3g} m/s"
    else:
        spout_m = at[middle.name] if middle is not None else (max(heron_m, 0.5 * hedge_m) if near else 0.5 * hedge_m)
        speed = Distances().speed_m_s
        if middle is not None:
            rest.remove(middle)
            told[middle.name] = f"{middle.name} is the stone of the fountain, at {_metres(spout_m)}"
        scenery.append(f"the falling water is scenery: nothing in the brief moves ({speed:g} m/s)")
    if near is not None:
        told[near.name] = f"{near.name} is the stone heron, at {_metres(heron_m)}"
    else:
        heron_m = spout_m
        scenery.append(f"the heron is scenery, beside the fountain at {_metres(heron_m)}")
    if far is not None:
        told[far.name] = f"{far.name} is the yew hedge, at {_metres(hedge_m)}"
    else:
        scenery.append(f"the hedge is scenery, at {_metres(hedge_m)}: the brief names nothing that stands behind")
    leaves = None
    if leafy is not None:
        wind = brief.scene.wind_m_s
        leaves = Leaves(wind_m_s=wind or 0.0, distance_m=at[leafy.name])
        blows = "no wind is told" if wind is None else f"in a wind of {wind:g} m/s"
        told[leafy.name] = f"{leafy.name} is the branch, at {_metres(at[leafy.name])}, {blows}"
    for subject in rest:
        told[subject.name] = f"{subject.name} is not drawn: the garden has no more parts for it"
    for subject in subjects:
        if abs(at[subject.name] - subject.distance_m - moved_m) > 1e-9:
            told[subject.name] += (
                f" (the brief has {_metres(subject.distance_m)}; the garden begins at {NEAREST_M:g} m)"
            )
    script = SceneScript(
        distances=Distances(hedge_m=hedge_m, spout_m=spout_m, heron_m=heron_m, speed_m_s=max(speed, NEAREST_M)),
        leaves=leaves,
        glass=Glass(breathing=-1.0) if _closest(brief, list(at.values())) > _CLOSE_UP else Glass(),
    )
    return StandIn(script, (*(told[name] for name in brief.scene.subjects if name in told), *scenery))


def _is_behind(still: Subject, water: Subject) -> bool:
    return still.distance_m > water.distance_m


def _closest(brief: Brief, distances_m: list[float]) -> float:
    """Magnification of the nearest thing, thin lens: f/(s - f). [unitless]"""
    lens = brief.kit.lens
    focal_m = (lens.zoom.longest_mm if lens.zoom is not None else lens.focal_length_mm) / 1000
    nearest = min(distances_m, default=2.0)
    return focal_m / max(nearest - focal_m, 1e-3)
