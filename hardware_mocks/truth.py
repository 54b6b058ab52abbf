"""What a frame truly shows of each subject: the answer book for whatever judges pictures.

Sizes and ways follow from the script and the shot alone. Brightness and clipping come from the same picture without
noise, weighed by how much of each pixel the subject covers once nearer things are laid over it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hardware_mocks import lens, rig
from hardware_mocks.daylight import row_gains
from hardware_mocks.drawing import REFERENCE
from hardware_mocks.garden import HEDGE_FOOT, HEDGE_TOP
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.sensor import LUMINANCE, MID_GREY
from hardware_mocks.shot import Shot
from hardware_mocks.stage import Layer, View, layers, view

_SMALL = 1500  # wider frames are judged on a picture of this width: shares and means need no more [px]


@dataclass(frozen=True)
class SubjectTruth:
    """One subject in one frame.

    Attributes
    ----------
    disc_px
        Diameter of the disc that a point of it becomes.
    airy_px
        Diameter of the first dark ring of diffraction, 2.44 lambda N; 0 where it is left out.
    smear_px
        Length of the way that its picture runs over the sensor during the exposure: the way from end to end for even
        movement, the diameter of its swing for a swing. The rig's share is in it.
    rig_smear_px
        The rig's share alone.
    shift_px
        How far to the right and down its picture lies, in the mean over the exposure, from where the same subject would
        lie before a rig that stands as at first, at time 0 of the scene.
    scale
        Its size against the lens focused at infinity and the first stand. [unitless]
    gain_stops
        Brightness of a mid-grey surface of it against mid-grey, light and settings together. [stops]
    brightness_stops
        Its own mean luminance against mid-grey, before clipping; None when none of it is in the picture. [stops]
    clipped_share, visible_share
        Share of what is seen of it in which a channel is full; share of the frame that it takes. [0..1]
    """

    disc_px: float
    airy_px: float
    smear_px: float
    rig_smear_px: float
    shift_px: tuple[float, float]
    scale: float
    gain_stops: float
    brightness_stops: float | None
    clipped_share: float
    visible_share: float


def _length(way: NDArray[np.float64] | None) -> float:
    """The greatest distance between two points of a way, the half steps at its ends put back. [px]"""
    if way is None or len(way) < 2:
        return 0.0
    lean = np.linspace(0, math.pi, 90, endpoint=False)
    along = way @ np.stack([np.cos(lean), np.sin(lean)])
    return float((along.max(axis=0) - along.min(axis=0)).max() * len(way) / (len(way) - 1))


def _water_way(renderer: GardenRenderer, shot: Shot, through: View) -> NDArray[np.float64]:
    far = renderer.distances
    down = lens.length_px(through.optics, far.speed_m_s, far.spout_m) * through.enlarged * shot.time_s
    down *= through.grown(far.spout_m)
    return np.array([[0.0, 0.0], [0.0, down]])


def _smears(layer: Layer, renderer: GardenRenderer, shot: Shot, through: View) -> tuple[float, float]:
    """Lengths of a layer's way with the rig's, and of the rig's alone. [px]"""
    rig_way = through.rig_way(layer.distance_m)
    own = None if layer.way is None else layer.way * through.grown(layer.distance_m)
    if layer.name == "water":
        ends = _water_way(renderer, shot, through)
        count = 64 if rig_way is None else len(rig_way)
        own = ends[0] + (np.arange(count)[:, None] + 0.5) / count * (ends[1] - ends[0])
    rig_alone = _length(rig_way)
    if own is None or rig_way is None:
        return max(_length(own), rig_alone), rig_alone
    at = np.linspace(0, 1, len(rig_way))
    own = np.stack([np.interp(at, np.linspace(0, 1, len(own)), own[:, axis]) for axis in (0, 1)], axis=1)
    return _length(own + rig_way), rig_alone


def _shift(renderer: GardenRenderer, shot: Shot, through: View, distance_m: float) -> tuple[float, float]:
    right, down = through.place_px(distance_m)
    way = through.rig_way(distance_m)
    if way is None:
        return right, down
    start = rig.turns_mrad(renderer.script, np.zeros(1), 0.0)[0] * rig.px_per_mrad(shot.optics, shot.focus_m)
    if through.shifted_mm is not None:
        begun = rig.shifts_mm(renderer.script.rig, np.zeros(1))[0, :2] / 1000
        start = start + begun * through.px_per_m(distance_m)
    mean = way.mean(axis=0) - start
    return right + float(mean[0]), down + float(mean[1])


def _weights(renderer: GardenRenderer, shot: Shot) -> dict[str, NDArray[np.float32]]:
    """How much of each pixel shows each subject. height x width, adding up to 1 with what is behind them all"""
    through = view(renderer.script, shot)
    width, height = shot.optics.size
    weights: dict[str, NDArray[np.float32]] = {"ground": np.ones((height, width), np.float32)}
    for layer in layers(renderer.script, shot, renderer.garden(shot.optics)):
        mine = weights.setdefault(layer.name, np.zeros((height, width), np.float32))
        seen = through.see(layer, None)
        if seen is None:
            continue
        rows, columns = seen.light.shape[:2]
        place = slice(seen.top, seen.top + rows), slice(seen.left, seen.left + columns)
        cover = np.float32(1) if seen.cover is None else seen.cover
        for other in weights.values():
            other[place] *= 1 - cover
        mine[place] += cover
    if renderer.script.stage == "garden":
        _split_far(weights, shot, through, renderer)
    return weights


def _split_far(weights: dict[str, NDArray[np.float32]], shot: Shot, through: View, renderer: GardenRenderer) -> None:
    """Tell sky and lawn from the hedge, whose layer they share: by rows, some away from its ragged edges."""
    height = shot.optics.size[1]
    hedge_m = renderer.distances.hedge_m
    way = through.rig_way(hedge_m)
    down = through.place_px(hedge_m)[1] + (0.0 if way is None else float(way[:, 1].mean()))
    row = np.arange(height) + 0.5 - down
    drawn = ((row - height / 2) / (through.enlarged * through.grown(hedge_m))) * REFERENCE[0] / shot.optics.size[
        0
    ] + REFERENCE[1] / 2
    whole = weights["hedge"]
    weights["sky"] = whole * (drawn < HEDGE_TOP - 12)[:, None]
    weights["lawn"] = whole * (drawn > HEDGE_FOOT + 12)[:, None]
    weights["hedge"] = whole - weights["sky"] - weights["lawn"]


def truth(renderer: GardenRenderer, shot: Shot) -> dict[str, SubjectTruth]:
    """What ``shot`` truly shows, by subject.

    In the garden: sky, hedge, lawn (all at the hedge's distance), fountain, water, heron, and leaves and passer-by if
    the script has them; targets by their names; on a bare stage ``ground``, which lies behind them all.
    """
    script = renderer.script
    through = view(script, shot)
    optics = through.optics
    gain = replace(shot, optics=optics).gain * float(row_gains(script, shot).mean())
    gain *= 1 - rig.veil(script.rig, shot.start_s + shot.time_s / 2)
    small = shot
    if shot.optics.size[0] > _SMALL:
        height = round(_SMALL * shot.optics.size[1] / shot.optics.size[0])
        small = replace(shot, optics=replace(shot.optics, size=(_SMALL, height)))
        if script.targets:
            shrink = _SMALL / shot.optics.size[0]
            targets = tuple(replace(t, size_px=t.size_px * shrink) for t in script.targets)
            renderer = GardenRenderer(script=replace(script, targets=targets))
    light = renderer.exact(small)
    luminance, full = light @ LUMINANCE, (light >= 1).any(axis=-1)
    weights = _weights(renderer, small)
    found: dict[str, SubjectTruth] = {}
    for layer in _subjects(renderer, shot):
        weight = weights[layer.name]
        total = float(weight.sum())
        smear, rig_smear = _smears(layer, renderer, shot, through)
        if layer.name in found:  # the longest of several parts
            smear = max(smear, found[layer.name].smear_px)
        found[layer.name] = SubjectTruth(
            disc_px=0.0 if layer.name == "ground" else through.disc_px(layer.distance_m),
            airy_px=2.44 * through.airy_px,
            smear_px=smear,
            rig_smear_px=rig_smear,
            shift_px=_shift(renderer, shot, through, layer.distance_m),
            scale=through.enlarged * through.grown(layer.distance_m),
            gain_stops=math.log2(gain),
            brightness_stops=math.log2(max(float((luminance * weight).sum()) / total, 1e-12) / MID_GREY)
            if total > 0.5
            else None,
            clipped_share=float((full * weight).sum()) / total if total > 0.5 else 0.0,
            visible_share=total / weight.size,
        )
    return found


def _subjects(renderer: GardenRenderer, shot: Shot) -> list[Layer]:
    """The layers, and what has a name but no layer of its own."""
    far = math.inf if renderer.script.stage == "bare" else renderer.distances.hedge_m
    names = ["ground"] if renderer.script.stage == "bare" else ["sky", "lawn"]
    bare = [Layer(name, far, True, None, lambda enlarged, shift: (_nothing(), False)) for name in names]
    return [*bare, *layers(renderer.script, shot, renderer.garden(shot.optics))]


def _nothing() -> lens.Raster:
    return lens.Raster(np.zeros((1, 1, 3), np.float32), np.zeros((1, 1), np.float32), 0, 0)
