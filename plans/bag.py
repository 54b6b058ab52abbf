"""What goes into the bag for a plan, and what may stay at home."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from plans.goals import words
from plans.kit import Kit
from plans.plan import Estimate, OperatorStep, Step, TimelapseStep
from plans.rehearsal import megabytes, spare_batteries
from plans.scene import Scene

LONG_S = 1.0  # from here on stray light through the finder and a strap in the wind count; common practice, no source


class Bag(NamedTuple):
    """Things to take, each with why where that is not plain, and filters that may stay."""

    take: tuple[str, ...]
    may_stay: tuple[str, ...]


def bag_list(steps: Sequence[Step], kit: Kit, scene: Scene, cost: Estimate, *, wet: bool, dark: bool) -> Bag:
    """The bag for these steps.

    Parameters
    ----------
    steps, kit, scene, cost
        The plan's steps and estimate, and what they were made for.
    wet, dark
        Whether the place is near water, and whether it is night there.
    """
    room = "" if cost.card_mb is None else f", {megabytes(cost.card_mb)} free on the card"
    take = [f"{kit.body.name}: battery charged{room}", _lens(kit)]
    used = {item.name for step in steps if not isinstance(step, OperatorStep) for item in step.settings.filters}
    take += [item.name for item in kit.filters if item.name in used]
    if kit.support != "hand":
        take.append(kit.support)
    take.append("cable from camera to computer, computer charged")
    share = cost.battery_share or 0.0
    spares = max(spare_batteries(share), 1 if scene.site.cold or share > 0.5 else 0)
    if spares:
        spare = "a spare battery" if spares == 1 else f"{spares} spare batteries"
        take.append(f"{spare}, kept warm" if scene.site.cold else spare)
    if dark:
        take.append("torch")
    if wet:
        take.append("lens cloth: spray and splashes")
    times = [step.settings.time.exact for step in steps if not isinstance(step, OperatorStep)]
    if max(times, default=0.0) > LONG_S:
        take.append("lens hood and a cover for the finder's eyepiece; tie the strap down: exposures of over 1 s")
    if any(isinstance(step, TimelapseStep) for step in steps):
        take.append("power for camera and computer until the end, a weight for the tripod, tape for the focus ring")
        if dark:
            take.append("lens warmer and hood against dew; warm clothes")
    if any(isinstance(step, OperatorStep) and step.action == "move" for step in steps):
        take.append("tape measure: the camera moves to stated distances")
    return Bag(tuple(take), tuple(item.name for item in kit.filters if item.name not in used))


def _lens(kit: Kit) -> str:
    zoom = kit.lens.zoom
    if zoom is None:
        return f"{words.figures(kit.lens.focal_length_mm)} mm lens"
    return f"{words.figures(zoom.shortest_mm)}-{words.figures(zoom.longest_mm)} mm lens"
