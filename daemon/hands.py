"""What hands have done to the rig so far, and what a picture still needs of them. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from plans.plan import FilterValue, Focus, OperatorStep, Rig, Settings, Step

_SAME_DISTANCE_M = 1e-6


@dataclass(frozen=True)
class HandsState:
    """Focus and filters as hands left them; ``focus`` None: nobody has focused yet."""

    focus: Focus | None = None
    filters: tuple[FilterValue, ...] = ()

    def after(self, step: OperatorStep) -> HandsState:
        """The state once the step is done."""
        if step.action == "focus":
            return HandsState(step.focus, self.filters)
        if step.action == "filters":
            return HandsState(self.focus, step.filters)
        return HandsState(step.focus, step.filters)

    def lacks(self, settings: Settings) -> str:
        """What the settings need that hands did not do, in words; empty when nothing."""
        if self.focus is None or abs(self.focus.distance_m - settings.focus.distance_m) > _SAME_DISTANCE_M:
            return f"focus at {settings.focus.distance_m:.2f} m was not set"
        if {found.name for found in self.filters} != {wanted.name for wanted in settings.filters}:
            wanted = " and ".join(item.name for item in settings.filters) or "no filter"
            return f"it needs {wanted} on the lens"
        return ""

    def rig(self, metered: bool) -> Rig:
        """The state as the compiler takes it."""
        return Rig(focus=self.focus, filters=self.filters, metered=metered)


def is_of_use(state: HandsState, steps: Sequence[Step]) -> bool:
    """Whether the first of ``steps``, a thing for hands, helps any picture after it, given what hands left undone.

    A filter left on the lens makes a refocus useless when every picture that it is for must be bare.
    """
    first = steps[0]
    assert isinstance(first, OperatorStep)
    state = state.after(first)
    for step in steps[1:]:
        if not isinstance(step, OperatorStep):
            if not state.lacks(step.settings):
                return True
        elif step.action == first.action:
            return False
        else:
            state = state.after(step)
    return False


def hands_after(done: Iterable[OperatorStep], start: Rig | None = None) -> HandsState:
    """The state after the steps that were done, in order, from the rig the plan was compiled for."""
    state = HandsState(start.focus, start.filters) if start else HandsState()
    for step in done:
        state = state.after(step)
    return state
