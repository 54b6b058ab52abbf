"""Writes a plan's steps, goal after goal, and keeps the state of the rig between them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from plans import hands, motion
from plans.brief import Freeze, Goal, Silk
from plans.exposure import brightness
from plans.goals import finding, words
from plans.goals.finding import Found
from plans.goals.situation import Situation
from plans.kit import FULL_FRAME_DIAGONAL_MM
from plans.metering import metering_step
from plans.plan import (
    ExposeStep,
    FilterValue,
    Focus,
    GroupNote,
    OperatorStep,
    Rig,
    Settings,
    Step,
    Unreachable,
    mark_value,
)
from plans.solver import Choice, State
from plans.stops import KINDS

_SETTINGS = (*KINDS, "focus", "filters")


class Writer:
    """Writes steps in order and keeps the rig's state."""

    def __init__(self, situation: Situation, rig: Rig):
        self.situation = situation
        self.rig = rig
        self.steps: list[Step] = []
        self.groups: list[GroupNote] = []
        self.unreachable: list[Unreachable] = []
        self.cautions: list[str] = []
        self._focus = rig.focus
        # Without a known focus the plan begins by setting up, which leaves the lens bare.
        self._filters = tuple(self._as_in_bag(value) for value in rig.filters) if rig.focus else ()
        self._cautioned = bool(self._filters)
        self._moving = False
        self._frame_costs: list[tuple[int, int, int]] = []

    def add(self, goal: Goal, number: int, within: Situation | None = None) -> None:
        """One goal: its steps and group, or why not. ``within``: the situation to search, if not this one."""
        state = State(self._known_distance(self._focus.distance_m) if self._focus else None, self._bits())
        found = finding.find(within or self.situation, goal, state)
        title = finding.name(goal)
        if found is None:
            self.unreachable.append(finding.diagnose(self.situation, goal, f"{title} (goal {number})"))
            return
        if not self.steps:
            self._begin(found.choices[0].focus)
        self._moving = self._moving or any(isinstance(part, Freeze | Silk) for part in finding.parts(goal))
        places = []
        ground = self.situation.ground
        for choice in found.choices:
            self._prepare(choice, goal)
            frame = ground.extended[choice.iso], ground.iso_steps[choice.iso], ground.sixths[choice.aperture]
            self._frame_costs.append((int(frame[0]), int(frame[1]), int(frame[2])))
            places.append(len(self.steps))
            self.steps.append(self._exposure(goal, f"g{number}", choice))
        self._tie(goal, f"g{number}", title, found, places)

    def finish(self) -> None:
        """What can be said only when all goals are known: the caution at the water, ids of equal length."""
        # A metered rig has been set up at the water already, with the caution.
        if self._moving and not self.rig.metered:
            place = next((n for n, step in enumerate(self.steps) if isinstance(step, OperatorStep)), None)
            if place is None:
                self.cautions.append(hands.WATER)
            else:
                step = self.steps[place]
                self.steps[place] = step.model_copy(update={"cautions": (hands.WATER, *step.cautions)})
        if self.steps and self.situation.kit.support != "tripod":
            sensor = self.situation.kit.body.sensor
            crop = FULL_FRAME_DIAGONAL_MM / math.hypot(sensor.width_mm, sensor.height_mm)
            limit = motion.longest_hand_held_s(self.situation.focal_mm, crop)
            self.cautions.append(hands.NO_TRIPOD.format(limit=words.seconds(limit)))
        if len(self.steps) > 99:
            width = len(str(len(self.steps)))
            new = {step.id: step.id.zfill(width + 1 + len(step.kind)) for step in self.steps}
            for n, step in enumerate(self.steps):
                renamed = {"id": new[step.id]}
                if isinstance(step, ExposeStep):
                    renamed["reference"] = new[step.reference]
                self.steps[n] = step.model_copy(update=renamed)
            self.groups = [g.model_copy(update={"steps": tuple(new[step] for step in g.steps)}) for g in self.groups]

    def filtered(self) -> set[int]:
        """Numbers of the goals that have a picture shot through a filter."""
        return {int(step.group[1:]) for step in self.steps if isinstance(step, ExposeStep) and step.settings.filters}

    def cost(self) -> tuple[int, ...]:
        """What the whole plan costs: frames that ladders leave out before all, then as the solver counts.

        Calls of hands, extended ISO, ISO, distance from f/8.
        """
        calls = sum(isinstance(step, OperatorStep) for step in self.steps)
        return (-len(self._frame_costs), calls, *(sum(column) for column in zip(*self._frame_costs, strict=True)))

    # The rig

    def _bits(self) -> int:
        """The filters on the lens as bits over the bag; what is not in the bag gets bits beyond it."""
        bits, bag, beyond = 0, list(self.situation.kit.filters), len(self.situation.kit.filters)
        for value in self._filters:
            place = next((n for n, item in enumerate(bag) if item.name == value.name and not bits >> n & 1), beyond)
            bits |= 1 << place
            beyond += place == beyond
        return bits

    def _as_in_bag(self, value: FilterValue) -> FilterValue:
        """The bag's own filter of that name, so that a number read back from a plan compares equal."""
        for item in self.situation.kit.filters:
            if item.name == value.name:
                return FilterValue(name=item.name, stops=item.stops)
        return value

    def _known_distance(self, distance_m: float) -> float:
        """The distance of the subject that stands there, so that a number read back from a plan compares equal."""
        for subject in self.situation.scene.subjects.values():
            if math.isclose(subject.distance_m, distance_m, rel_tol=1e-8):
                return subject.distance_m
        return distance_m

    def _values(self, bits: int) -> tuple[FilterValue, ...]:
        return tuple(
            FilterValue(name=item.name, stops=item.stops)
            for n, item in enumerate(self.situation.kit.filters)
            if bits >> n & 1
        )

    def _id(self, kind: str) -> str:
        return f"{len(self.steps) + 1:02d}-{kind}"

    def _begin(self, focus: Focus) -> None:
        """Setting up and metering, as far as the rig needs it."""
        if self._focus is None:
            self._focus = focus
            self.steps.append(
                OperatorStep(
                    id=self._id("operator"),
                    action="compose",
                    text=hands.compose_text(focus),
                    why="Every picture is compared with another: one framing for all of them, one focus at a time.",
                    focus=focus,
                )
            )
        if not self.rig.metered:
            self.steps.append(metering_step(self.situation, self._id("control"), self._focus, self._filters))

    def _prepare(self, choice: Choice, goal: Goal) -> None:
        """Hands before a frame: a filter comes off before the focus ring is turned, and goes on after."""
        refocus = self._focus is None or self._known_distance(self._focus.distance_m) != choice.focus.distance_m
        if refocus and self._filters:
            self._change_filters((), choice, "A dark filter hides what the focus ring does: focus bare.")
        if refocus:
            self._focus = choice.focus
            part = finding.name(self._part(goal, choice))
            self.steps.append(
                OperatorStep(
                    id=self._id("operator"),
                    action="focus",
                    text=hands.focus_text(choice.focus),
                    why=f"The next pictures ({part}) are focused at {words.metres(choice.focus.distance_m)}.",
                    focus=choice.focus,
                )
            )
        if self._bits() != choice.filters:
            after = self._values(choice.filters)
            part = finding.name(self._part(goal, choice))
            less = words.stops(sum(value.stops for value in after))
            light = f"is shot with {less} less light" if after else "is shot without a filter"
            self._change_filters(after, choice, f"The next picture ({part}) {light}.")

    def _change_filters(self, after: tuple[FilterValue, ...], choice: Choice, why: str) -> None:
        before, focus = self._filters, self._focus or choice.focus
        self._filters = after
        fitted = any(value not in before for value in after)
        cautions = (hands.NEUTRAL_DENSITY,) if fitted and not self._cautioned else ()
        self._cautioned = self._cautioned or fitted
        self.steps.append(
            OperatorStep(
                id=self._id("operator"),
                action="filters",
                text=hands.filters_text(before, after),
                why=why,
                focus=focus,
                filters=after,
                cautions=cautions,
            )
        )

    # Frames and groups

    def _part(self, goal: Goal, choice: Choice) -> Goal:
        several = finding.parts(goal)
        return several[choice.part] if len(several) > 1 else goal

    def _exposure(self, goal: Goal, group: str, choice: Choice) -> ExposeStep:
        s = self.situation
        marks = {
            "aperture": s.scale("aperture").marks[choice.aperture],
            "time": s.scale("time").marks[choice.time],
            "iso": s.scale("iso").marks[choice.iso],
        }
        values = self._values(choice.filters)
        settings = Settings(
            **{kind: mark_value(mark) for kind, mark in marks.items()}, filters=values, focus=choice.focus
        )
        part = self._part(goal, choice)
        beyond = s.subject(part.subject).farthest_m if part.goal == "isolate" else None
        seen = s.predict(settings, beyond)
        level = brightness(
            s.ev100, marks["aperture"], marks["time"], marks["iso"],
            [item.stops for n, item in enumerate(s.kit.filters) if choice.filters >> n & 1], seen.magnification_loss,
        )  # fmt: skip
        step_id = self._id("expose")
        return ExposeStep(
            id=step_id,
            goal=finding.name(part),
            group=group,
            reference=step_id,
            held=(),
            changed=(),
            settings=settings,
            intended_offset=float(choice.intended),
            offset=float(level - choice.intended),
            predicted=seen,
            criteria=finding.criteria(s, goal, choice.part),
            caption=finding.caption(s, goal, choice, settings, seen),
        )

    def _tie(self, goal: Goal, group: str, title: str, found: Found, places: Sequence[int]) -> None:
        """Names each frame's reference, what it truly holds and changes against it, and notes the group."""
        frames = [step for step in (self.steps[place] for place in places) if isinstance(step, ExposeStep)]
        reference = frames[found.reference]
        alone = len(frames) == 1
        differs = [_differences(reference.settings, frame.settings) for frame in frames]
        changed = tuple(name for name in _SETTINGS if any(name in names for names in differs))
        held = () if alone else tuple(name for name in _SETTINGS if name not in changed)
        for place, frame, names in zip(places, frames, differs, strict=True):
            own = held if frame is reference else tuple(name for name in _SETTINGS if name not in names)
            self.steps[place] = frame.model_copy(update={"reference": reference.id, "held": own, "changed": names})
        offsets = [frame.offset for frame in frames]
        tolerance = words.stops(self.situation.ground.tolerance)
        apart = f"the frames lie at most {words.stops(self.situation.limits.spread)} apart"
        if any(frame.intended_offset for frame in frames):
            apart += ", the intended steps taken off"
        together = () if alone else (apart,)
        self.groups.append(
            GroupNote(
                id=group,
                title=title,
                steps=tuple(frame.id for frame in frames),
                held=held,
                changed=changed,
                spread=max(offsets) - min(offsets),
                left_out=found.left_out,
                criteria=(f"each frame lies at most {tolerance} from its wanted brightness", *together),
            )
        )


def _differences(reference: Settings, other: Settings) -> tuple[str, ...]:
    pairs = {
        "aperture": (reference.aperture.mark, other.aperture.mark),
        "time": (reference.time.mark, other.time.mark),
        "iso": (reference.iso.mark, other.iso.mark),
        "focus": (reference.focus.distance_m, other.focus.distance_m),
        "filters": (reference.filters, other.filters),
    }
    return tuple(name for name in _SETTINGS if pairs[name][0] != pairs[name][1])
