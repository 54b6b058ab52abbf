"""What hands have done to the rig so far, and what a picture still needs of them. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass, replace

from plans.plan import ControlStep, ExposeStep, FilterValue, Focus, OperatorStep, Plan, Rig, TimelapseStep

_SAME_DISTANCE_M = 1e-6


@dataclass(frozen=True)
class HandsState:
    """The rig as hands left it; ``focus`` None: nobody has focused yet.

    ``focal_mm``: None, as set up. ``shaken``: a hand is on the tripod to shake it. [mm]
    """

    focus: Focus | None = None
    filters: tuple[FilterValue, ...] = ()
    focal_mm: float | None = None
    shaken: bool = False

    def after(self, step: OperatorStep, planned: tuple[FilterValue, ...]) -> HandsState:
        """The state once the step is done; ``planned``: the filters that the plan thought were on before it.

        A step says what to take off and what to put on. Done after another one was skipped, it changes just that.
        """
        if step.action in ("shake", "settle"):
            return replace(self, shaken=step.action == "shake")
        if step.action == "focus":
            return replace(self, focus=step.focus)
        if step.action == "move":
            return replace(self, focus=step.focus, focal_mm=step.focal_length_mm)
        if step.action == "compose":
            return HandsState(step.focus, step.filters, step.focal_length_mm)
        if step.action == "turn":
            turned = {item.name: item for item in step.filters}
            return replace(self, filters=tuple(turned.get(item.name, item) for item in self.filters))
        stays = [item for item in self.filters if item in step.filters or item not in planned]
        added = [item for item in step.filters if item not in planned and item not in stays]
        return replace(self, filters=(*stays, *added))

    def in_words(self) -> str:
        """How the rig stands, for people."""
        if self.focus is None:
            return "not composed yet"
        on = " and ".join(item.name for item in self.filters) or "no filter"
        what = f"on the {self.focus.subject}, " if self.focus.subject else ""
        return f"focused {what}at {self.focus.distance_m:g} m, {on} on the lens"

    def lacks(self, step: ExposeStep | ControlStep | TimelapseStep) -> str:
        """What a frame needs that hands did not do, in words; empty when nothing."""
        settings = step.settings
        if self.focus is None or abs(self.focus.distance_m - settings.focus.distance_m) > _SAME_DISTANCE_M:
            return f"focus at {settings.focus.distance_m:.2f} m was not set"
        if settings.focal_length_mm is not None and settings.focal_length_mm != self.focal_mm:
            return f"the zoom was not set to {settings.focal_length_mm:g} mm"
        if {found.name for found in self.filters} != {wanted.name for wanted in settings.filters}:
            wanted = " and ".join(item.name for item in settings.filters) or "no filter"
            return f"it needs {wanted} on the lens"
        turned = {item.name: item.turned for item in self.filters}
        if any(item.turned != turned[item.name] for item in settings.filters if item.turned):
            return "the polariser was not turned"
        if isinstance(step, ExposeStep) and step.shaken and not self.shaken:
            return "nobody shakes the tripod"
        return ""

    def rig(self, metered: bool) -> Rig:
        """The state as the compiler takes it."""
        return Rig(focus=self.focus, filters=self.filters, metered=metered)


def is_of_use(state: HandsState, plan: Plan, first: OperatorStep) -> bool:
    """Whether a thing for hands helps any picture after it, given what hands left undone.

    A filter left on the lens makes a refocus useless when every picture that it is for must be bare.
    """
    planned: tuple[FilterValue, ...] = plan.inputs.rig.filters
    begun = False
    for step in plan.steps:
        if step == first:
            before, begun, state = state, True, state.after(first, planned)
            if state == before:  # such as a filter to take off that was never fitted
                return False
        elif not begun:
            pass
        elif not isinstance(step, OperatorStep):
            counts = not isinstance(step, ControlStep) or step.purpose == "meter"
            if counts and not state.lacks(step):
                return True
        elif step.action == first.action:
            return False
        else:
            state = state.after(step, planned)
        if isinstance(step, OperatorStep):
            planned = step.filters
    return False


def hands_after(plans: Mapping[int, Plan], done: Mapping[int, Set[str]]) -> HandsState:
    """The state after the operator steps that were done, from the rig the first plan was compiled for.

    ``plans`` by revision; ``done``: ids of the steps that were done, by revision.
    """
    rig = plans[min(plans)].inputs.rig
    state = HandsState(rig.focus, rig.filters)
    for revision in sorted(plans):
        planned = plans[revision].inputs.rig.filters
        for step in plans[revision].steps:
            if isinstance(step, OperatorStep):
                if step.id in done.get(revision, set()):
                    state = state.after(step, planned)
                planned = step.filters
    return state
