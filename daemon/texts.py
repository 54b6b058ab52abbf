"""Briefs and plans that come as texts, not as files: read, compiled, fitted to a camera.

Importing this module is cheap; what reads and compiles is loaded when it is needed.
"""

from __future__ import annotations

import errno
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from daemon.errors import BriefError, PlanUnreachable, UsageError

if TYPE_CHECKING:
    from daemon.camera.verbs import CameraState
    from plans.brief import Brief
    from plans.plan import Plan
    from plans.stops import Kind, Scale


@dataclass(frozen=True)
class Written:
    """A brief (YAML) or plan (JSON) with its name for complaints and the kit files that it may name."""

    text: str
    name: str = "brief.yaml"
    kits: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_plan(self) -> bool:
        """Whether it is meant as a plan, by the name's ending or the first character."""
        if self.name.lower().endswith((".yaml", ".yml")):
            return False
        return self.name.lower().endswith(".json") or self.text.lstrip().startswith("{")

    def brief(self, scales: Mapping[Kind, Scale] | None = None) -> Brief:
        """The brief. BriefError with every complaint; UsageError if this is a plan."""
        from plans.reading import read_brief

        if self.is_plan:
            raise UsageError(f"{self.name}: found a plan; allowed: a brief. Send the brief it was compiled from")
        return read_brief(self.text, self.name, self._kit, scales)

    def plan(self, scales: Mapping[Kind, Scale] | None = None) -> Plan:
        """The plan, or the one that the brief compiles to. BriefError with every complaint."""
        if self.is_plan:
            from plans.plan_reading import read_given_plan

            return read_given_plan(self.text, self.name)
        from plans.compiler import compile_brief

        return compile_brief(self.brief(scales))

    def needs_camera(self) -> bool:
        """Whether it is a brief that leaves a scale to the camera, though nothing else is wrong with it."""
        if self.is_plan:
            return False
        try:
            self.brief()
        except BriefError:
            self.brief(stand_in_scales())
            return True
        return False

    def plan_for(self, state: CameraState, composed: bool = False) -> tuple[Plan, list[str]]:
        """The plan that is shot with the camera as connected, and how its marks differ from those of the brief's kit.

        Raises
        ------
        BriefError, BindingRefused
            As `daemon.assembly.fit_to_camera` has it.
        """
        from daemon import assembly
        from daemon.camera.dialects import camera_scales

        plan = as_composed(self.plan(None if self.is_plan else camera_scales(state)), composed)
        return assembly.fit_to_camera(plan, state, may_recompile=not self.is_plan)

    def _kit(self, name: str) -> str:
        if name not in self.kits:
            known = ", ".join(sorted(self.kits)) or "none"
            raise FileNotFoundError(errno.ENOENT, f"it was not sent with the brief; sent: {known}")
        return self.kits[name]


def day_of(text: str, asked: str) -> date:
    """The day that ``text`` names, as year-month-day; ``asked``: what the user gave it as.

    Raises
    ------
    UsageError
        If there is no such day, or it is written otherwise.
    """
    try:
        if len(text) != 10:
            raise ValueError
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"{asked}: found {text!r}; allowed: a day that exists, as year-month-day. Write it as 2026-10-20"
        ) from None


def stand_in_scales() -> dict[Kind, Scale]:
    """Scales in thirds for a first look at a brief that leaves its scales to the camera."""
    from plans.stops import KINDS, Scale, series_marks

    return {kind: Scale(kind, series_marks(kind, "thirds"), "thirds") for kind in KINDS}


def as_composed(plan: Plan, composed: bool) -> Plan:
    """The plan for a rig that stands composed already; the same plan when ``composed`` is False."""
    if not composed:
        return plan
    from plans.compiler import recompile
    from plans.plan import OperatorStep, Rig

    first = plan.steps[0] if plan.steps else None
    if not isinstance(first, OperatorStep) or first.action != "compose":
        raise UsageError("--composed: this plan does not begin with composing; leave the option out")
    return recompile(plan, plan.inputs.light, Rig(focus=first.focus))


def demand_reachable(plan: Plan, reachable: bool) -> None:
    """Refuse a plan with unreachable goals unless the user goes on with the rest.

    Raises
    ------
    PlanUnreachable
        With every reason and remedy.
    """
    if plan.unreachable and not (reachable and plan.exposing):
        raise PlanUnreachable(list(plan.unreachable))
