"""From a brief, the marks that can be set and the light to a plan: every goal in order, the rig's state carried along.

Goals are taken one after the other as the brief lists them; within one the search is exhaustive (`plans.solver`). A
goal that cannot be reached is told with its reasons and remedies, and the others are planned without it.
"""

from __future__ import annotations

from collections.abc import Mapping

from plans.brief import Brief
from plans.errors import BriefError, Complaint
from plans.goals import finding
from plans.goals.situation import Situation
from plans.kit import Kit
from plans.plan import Inputs, LightBasis, Plan, Rig, mark_value
from plans.rehearsal import estimate
from plans.stops import KINDS, Kind, Scale, scale_from_exact
from plans.writer import Writer


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
    light = light or LightBasis(ev100=brief.scene.light.ev100)
    kit = brief.kit
    in_force: dict[Kind, Scale] = {"aperture": kit.lens.aperture, "time": kit.body.time, "iso": kit.body.iso}
    in_force |= dict(scales or {})
    situation = Situation(kit, brief.scene, brief.limits, light.ev100, in_force)
    writer = _write(brief, situation, rig)
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
        steps=tuple(writer.steps),
        unreachable=tuple(writer.unreachable),
        estimate=estimate(writer.steps),
        cautions=tuple(writer.cautions),
    )


def _write(brief: Brief, situation: Situation, rig: Rig) -> Writer:
    """Steps for every goal, in the brief's order, and a second look at filters that merely stayed on.

    Goal by goal, a filter that stays on costs no hands, even when a later goal takes it off anyway. So each goal that
    is shot through filters is tried bare; that is taken when the whole plan then costs no more.
    """

    def attempt(bare: frozenset[int]) -> Writer:
        writer = Writer(situation, rig)
        for number, goal in enumerate(brief.goals, 1):
            writer.add(goal, number, without if number in bare else None)
        return writer

    without = situation.without_filters() if situation.kit.filters else situation
    bare: frozenset[int] = frozenset()
    writer = attempt(bare)
    for number in range(1, len(brief.goals) + 1):
        if number not in writer.filtered() or not finding.reachable(without, brief.goals[number - 1]):
            continue
        other = attempt(bare | {number})
        if other.unreachable == writer.unreachable and other.cost() <= writer.cost():
            bare, writer = bare | {number}, other
    writer.finish()
    return writer


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
