"""From a brief, the marks that can be set and the light to a plan: every goal in order, the rig's state carried along.

Within a goal the search is exhaustive (`plans.group`, `plans.series`); over the goals the order with the fewest
operator actions is searched (`plans.order`). A goal that cannot be reached is told with its reasons and remedies, and
the others are planned without it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from plans import ephemeris
from plans.brief import Brief, Perspective, Timelapse
from plans.bulb import with_bulb
from plans.cautions import SunSeen, cautions_for
from plans.errors import BriefError, Complaint
from plans.goals import finding, timelapse
from plans.goals.diagnosis import diagnose
from plans.goals.menu import offer
from plans.goals.sharpness import beyond_words
from plans.goals.situation import Situation
from plans.kit import Kit
from plans.light_frame import field_deg, sun_in_frame
from plans.order import arrange
from plans.plan import ExposeStep, Inputs, LightBasis, Plan, Rig, Unreachable, mark_value, nine_digits
from plans.rehearsal import estimate, estimate_notes
from plans.scene import Scene
from plans.stops import KINDS, Kind, Scale, scale_from_exact
from plans.writer import Writer

UNPROVEN = (
    "So many goals were put in order step by step: another order may need fewer hands. Fewer goals a brief, or goals "
    "that share focus and filters next to each other, make it certain."
)


def compile_brief(
    brief: Brief,
    light: LightBasis | None = None,
    rig: Rig = Rig(),  # noqa: B008 - frozen
    scales: Mapping[Kind, Scale] | None = None,
) -> Plan:
    """The plan for a brief.

    Parameters
    ----------
    brief
        Kit, scene, goals and limits.
    light
        The light to count on; None: the brief's own.
    rig
        What hands have done already. With nothing known the plan begins by setting up; unless it says metered, a
        metering frame follows.
    scales
        Scales of the connected camera, each in place of the kit's.

    Returns
    -------
    Plan
        The same bytes through `plans.plan.plan_json` for the same input. Goals that cannot be reached are listed in
        ``unreachable``; nothing is raised for them.
    """
    told = brief.scene.light
    light = light or LightBasis(ev100=told.ev100, origin=told.origin, low=told.low, high=told.high)
    # The light as the plan writes it down, so that the plan read back compiles to itself.
    light = light.model_copy(update={"ev100": nine_digits(light.ev100)})
    kit = brief.kit
    in_force: dict[Kind, Scale] = {"aperture": kit.lens.aperture, "time": kit.body.time, "iso": kit.body.iso}
    in_force |= dict(scales or {})
    in_force["time"] = with_bulb(kit.body, in_force["time"])
    situation = _situation(brief, light, in_force)
    writer, unreachable, proven = _write(brief, situation, rig)
    steps, cautions = cautions_for(brief, writer.steps, sun_seen(brief, _widest_mm(writer, kit)), rig)
    cost = estimate(steps, kit, brief.scene)
    return Plan(
        title=brief.title,
        inputs=Inputs(
            brief=brief.source,
            light=light,
            rig=rig,
            scales={kind: tuple(mark_value(mark) for mark in in_force[kind].marks) for kind in KINDS},
            series={kind: in_force[kind].series for kind in KINDS},
        ),
        groups=tuple(writer.groups),
        steps=tuple(steps),
        unreachable=unreachable,
        estimate=cost,
        cautions=cautions,
        notes=(
            *situation.notes(),
            *filter(None, [beyond_words(situation, [step for step in steps if isinstance(step, ExposeStep)])]),
            *estimate_notes(steps, cost, kit, brief.scene),
            *(() if proven else (UNPROVEN,)),
        ),
    )


def _situation(brief: Brief, light: LightBasis, in_force: Mapping[Kind, Scale]) -> Situation:
    spot = light.origin == "metered" or (light.origin == "brief" and brief.scene.light.spot)
    return Situation(
        brief.kit, brief.scene, brief.limits, light.ev100, in_force, brief.shown_on, brief.place, brief.when, spot
    )


def situation_of(plan: Plan) -> Situation:
    """The situation that a plan was made for. Errors as for `kit_of`."""
    return _situation(_brief_of(plan), plan.inputs.light, plan_scales(plan))


def _widest_mm(writer: Writer, kit: Kit) -> float:
    """The shortest focal length that a plan uses, which sees most around it. [mm]"""
    used = [step.settings.focal_length_mm for step in writer.steps if isinstance(step, ExposeStep)]
    return min(focal or kit.lens.focal_length_mm for focal in (*used, None))


def sun_seen(brief: Brief, focal_mm: float) -> SunSeen | None:
    """Where the sun stands for a brief's pictures, by their shortest focal length; None without a place and a time."""
    place, when = brief.place, brief.when
    if place is None or when is None:
        return None
    sun = ephemeris.sun(place.latitude, place.longitude, when)
    facing = brief.scene.facing_deg
    if facing is None:
        return SunSeen(sun.altitude_deg, None)
    sensor = brief.kit.body.sensor
    near = sun_in_frame(sun, facing, field_deg(sensor.width_mm, focal_mm), field_deg(sensor.height_mm, focal_mm))
    return SunSeen(sun.altitude_deg, near.from_frame_deg)


class _Found(NamedTuple):
    writer: Writer
    unreachable: tuple[Unreachable, ...]
    proven: bool


def _write(brief: Brief, situation: Situation, rig: Rig) -> _Found:
    """Steps for every goal that can be reached, in the order that needs the fewest hands; the others diagnosed."""
    offers = [None if isinstance(goal, Timelapse) else offer(situation, goal) for goal in brief.goals]
    unreachable = [
        diagnose(situation, goal, f"{finding.name(goal)} (goal {number})")
        for number, (goal, one) in enumerate(zip(brief.goals, offers, strict=True), 1)
        if one is None and not isinstance(goal, Timelapse)
    ]
    writer = Writer(situation, rig)
    known = [(number, one) for number, one in enumerate(offers, 1) if one is not None]
    # Of orders that are equal the one that moves the tripod last: all else keeps its framing.
    known.sort(key=lambda pair: isinstance(pair[1].goal, Perspective))
    arrangement = arrange([one.menu for _, one in known], writer.state())
    for place, ending in arrangement.taken:
        number, one = known[place]
        writer.add(one.goal, number, one.found(situation, ending.choices))
    unreachable += _write_timelapses(brief, situation, writer)
    writer.finish()
    return _Found(writer, tuple(unreachable), arrangement.proven)


def _write_timelapses(brief: Brief, situation: Situation, writer: Writer) -> list[Unreachable]:
    """Time-lapses come last, by their start: they take hours, and nothing else may touch the rig meanwhile."""
    refused, ready = [], []
    for number, goal in enumerate(brief.goals, 1):
        if isinstance(goal, Timelapse):
            made = timelapse.prepare(situation, goal, f"{finding.name(goal)} (goal {number})")
            if isinstance(made, Unreachable):
                refused.append(made)
            else:
                ready.append((made.step.start or "", number, goal, made))
    for _, _, goal, made in sorted(ready, key=lambda entry: entry[:2]):
        writer.add_timelapse(goal, made)
    return refused


def recompile(plan: Plan, light: LightBasis, rig: Rig) -> Plan:
    """The plan made again from its own inputs, in another light or from another state of the rig.

    Raises
    ------
    BriefError
        If the plan's inputs hold no brief, or scales that are none.
    """
    return compile_brief(_brief_of(plan), light, rig, plan_scales(plan))


def kit_of(plan: Plan) -> Kit:
    """The kit that a plan was made for.

    Raises
    ------
    BriefError
        If the plan's inputs hold no brief, or scales that are none.
    """
    return _brief_of(plan).kit


def scene_of(plan: Plan) -> Scene:
    """The scene that a plan was made for; raises as `kit_of` does."""
    return _brief_of(plan).scene


def brief_of(plan: Plan) -> Brief:
    """The brief that a plan was made from; raises as `kit_of` does."""
    return _brief_of(plan)


def plan_scales(plan: Plan) -> dict[Kind, Scale]:
    """The scales that a plan was made with, exact again.

    Raises
    ------
    BriefError
        If a scale is missing or holds values that are none.
    """
    found: dict[Kind, Scale] = {}
    inputs = plan.inputs
    for kind in KINDS:
        pairs = [(mark.mark, mark.exact) for mark in inputs.scales.get(kind, ())]
        try:
            found[kind] = scale_from_exact(kind, pairs, inputs.series.get(kind, "unknown"))
        except ValueError as error:
            wrong, allowed = str(error), f"exact {kind} values on their series"
            advice = "Compile the brief again with this version of stopwright"
            raise BriefError([Complaint("plan", 0, 0, f"inputs.scales.{kind}", wrong, allowed, advice)]) from None
    return found


def _brief_of(plan: Plan) -> Brief:
    from plans.reading import brief_from_tree  # late: it brings the YAML and unit libraries, which compiling needs not

    return brief_from_tree(plan.inputs.brief, camera_scales=plan_scales(plan))
