"""The rehearsal of a plan: its pictures drawn in the garden, its steps walked.

Entry point of the group ``stopwright.rehearsals``. Pictures are small: a class looks at sharpness, smear and
brightness, which small pictures show in seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime

from daemon.rehearsing import Rehearsed
from hardware_mocks import jpeg
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.script import Glare
from hardware_mocks.shot import Optics, Shot, Stand
from hardware_mocks.standing_in import stand_in
from hardware_mocks.walking import dial_mark, walk
from hardware_mocks.world import KNOCK_PX
from plans.brief import Brief, Noise
from plans.compiler import plan_scales
from plans.kit import Sensor
from plans.plan import ExposeStep, Plan, TimelapseStep
from plans.reading import brief_from_tree

_APART_S = 7.3  # between the starts of two pictures, so that no two show the same water [s]
_AXIS_DEG = {"least": 0.0, "most": 90.0}  # how a polariser is turned, from the level: by what water mirrors
_LARGEST_RAW = 65_535  # of a whole number in the Exif
_WHEN = datetime(2000, 1, 1)  # noqa: DTZ001 - camera clocks are unlabelled; nobody took these pictures


def rehearse(plan: Plan, width: int) -> Rehearsed:
    """Draw and walk a plan. ``width`` of the pictures [px].

    Raises
    ------
    BriefError
        If the plan's inputs hold no brief.
    """
    brief = brief_from_tree(plan.inputs.brief, camera_scales=plan_scales(plan))
    drawn = dict(_drawn(plan, brief, width))
    return Rehearsed(
        pictures=drawn,
        mapped=stand_in(brief).mapped,
        unknown=tuple(_unknown(plan, brief, width)),
        walked=walk(plan, brief),
        beware=_beware(plan),
    )


def frame_size(sensor: Sensor, width: int) -> tuple[int, int]:
    """A picture of the sensor's shape. [px]"""
    return width, max(1, round(width * sensor.height_mm / sensor.width_mm))


def _drawn(plan: Plan, brief: Brief, width: int) -> Iterator[tuple[str, bytes]]:
    garden = GardenRenderer(script=stand_in(brief).script)
    gardens = {0.0: garden}
    for number, step in enumerate(plan.exposing, 1):
        moved = _moved_m(step, brief)
        if moved not in gardens:
            gardens[moved] = garden.moved(stand_in(brief, moved).script)
        shot = shot_of(step, number, plan, brief, width)
        if step.shaken:
            shot = replace(shot, stand=Stand(swing=KNOCK_PX))
        yield step.id, jpeg.encode(gardens[moved].render(shot), shot)


def _moved_m(step: ExposeStep, brief: Brief) -> float:
    """How much farther the camera stands for a step than the brief has it. [m]"""
    focus = step.settings.focus
    if step.settings.focal_length_mm is None or focus.subject not in brief.scene.subjects:
        return 0.0
    return focus.distance_m - brief.scene.subjects[focus.subject].distance_m


def shot_of(step: ExposeStep, number: int, plan: Plan, brief: Brief, width: int) -> Shot:
    """The exposure of a step, through the kit's own lens with the errors that were measured on it."""
    settings, kit = step.settings, brief.kit
    iris = kit.corrections.aperture.get(settings.aperture.mark, 0.0)
    shutter = kit.corrections.time.get(settings.time.mark, 0.0)
    sensor = kit.body.sensor
    return Shot(
        number=number,
        aperture=dial_mark(settings.aperture, 0),
        time=dial_mark(settings.time, 0),
        sensitivity=dial_mark(settings.iso, min(round(settings.iso.exact), _LARGEST_RAW)),
        f_number=settings.aperture.exact * 2.0 ** (-iris / 2),
        time_s=settings.time.exact * 2.0**shutter,
        iso=settings.iso.exact,
        focus_m=settings.focus.distance_m,
        filter_stops=tuple(item.stops for item in settings.filters),
        ev100=plan.inputs.light.ev100,
        start_s=number * _APART_S,
        taken=_WHEN,
        optics=Optics(
            focal_mm=settings.focal_length_mm or kit.lens.focal_length_mm,
            sensor_mm=(sensor.width_mm, sensor.height_mm),
            size=frame_size(sensor, width),
            widest=min(value.exact for value in plan.inputs.scales["aperture"]),
        ),
        exif_style="exact",
        polariser_deg=next((_AXIS_DEG[item.turned] for item in settings.filters if item.turned is not None), None),
    )


def _unknown(plan: Plan, brief: Brief, width: int) -> Iterator[str]:
    """What the pictures cannot tell, in sentences."""
    yield (
        "The place: a garden stands in for it. Distances, speeds, light and kit are the brief's; framing, sizes of "
        "things, shapes and colours are the garden's"
    )
    ev, origin = plan.inputs.light.ev100, plan.inputs.light.origin
    counted = {"brief": "as the brief says", "metered": "as metered", "forecast": "a forecast", "guess": "a guess"}
    yield (
        f"What the light really does: it is drawn steady at EV {ev:.1f} ({counted[origin]}), with no clouds, no colour "
        "of evening or lamps, no glare of the sun and no flicker"
    )
    yield "How water and leaves really move: they are drawn at even speed; nobody hears the wind"
    if brief.kit.support != "tripod":
        yield f"How still you hold the camera: it is drawn as on a rigid tripod, not on a {_support(brief)}"
    else:
        yield "How still the tripod stands, and how well hands focus: both are drawn without fault"
    yield (
        "What your own lens and sensor add: shading of the corners, aberrations and reflections are not drawn, and the "
        "noise is that of a middling sensor"
    )
    yield "Which part of a thing is sharp: each is drawn flat, at its distance"
    if any(isinstance(goal, Noise) for goal in brief.goals):
        yield "How strong noise looks: it is drawn for small pictures, and less of it is left on a sheet"
    pixels = brief.kit.body.sensor.pixels[0]
    if pixels > width:
        yield f"What is finer than {pixels / width:.1f} pixels of the camera: these pictures are {width} pixels wide"
    yield from dict.fromkeys(_beware(plan).values())
    for step in plan.steps:
        if isinstance(step, TimelapseStep):
            yield f"The time-lapse {step.id}: it is walked, not drawn; stopwright light tells what the light is to do"


def _beware(plan: Plan) -> dict[str, str]:
    """By step: what its own picture lacks of the very thing that it is to show, in a sentence."""
    found = {}
    for step in plan.exposing:
        if any(item.turned for item in step.settings.filters):
            found[step.id] = (
                "How much of your reflections a polariser takes: it is drawn for water seen "
                f"{Glare().water_from_upright_deg:g} degrees from the upright and for a high sun behind you"
            )
        elif step.settings.focal_length_mm is not None:
            found[step.id] = (
                "How the background grows and shrinks with the focal length: things keep their size in these pictures"
            )
        elif step.shaken:
            found[step.id] = "How a hand shakes: a stated sideways blur stands in for it"
    return found


def _support(brief: Brief) -> str:
    return "monopod" if brief.kit.support == "monopod" else "camera in your hands"
