"""Writes a plan's steps, goal after goal, and keeps the state of the rig between them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from plans import hands
from plans.brief import Goal, Timelapse
from plans.checking import check_step
from plans.goals import finding, words
from plans.goals.finding import Found
from plans.goals.situation import Situation
from plans.goals.timelapse import Ready
from plans.hands import Action
from plans.metering import metering_step
from plans.plan import (
    ExposeStep,
    FilterValue,
    GroupNote,
    MarkValue,
    OperatorStep,
    Rig,
    Settings,
    Step,
    mark_value,
)
from plans.solver import Choice, State, Turned
from plans.stops import KINDS, Kind, Mark

_SETTINGS = (*KINDS, "focus", "filters")


class Writer:
    """Writes steps in order and keeps the rig's state."""

    def __init__(self, situation: Situation, rig: Rig):
        self.situation = situation
        self.rig = rig
        self.steps: list[Step] = []
        self.groups: list[GroupNote] = []
        self._focus = rig.focus
        # Without a known focus the plan begins by setting up, which leaves the lens bare.
        self._filters = tuple(self._as_in_bag(value) for value in rig.filters) if rig.focus else ()
        self._focal_mm: float | None = None
        self._shaken = False
        self._mark_values: dict[tuple[Kind, int], MarkValue] = {}  # the same few marks in many steps

    def state(self) -> State:
        """The rig as it stands, for the solver."""
        turned = next((value.turned for value in self._filters if value.turned), None)
        distance = self._known_distance(self._focus.distance_m) if self._focus else None
        return State(distance, self._bits(), self._focal_mm, turned, self._shaken)

    def add(self, goal: Goal, number: int, found: Found) -> None:
        """The steps and the group of one goal, the ``number``-th of the brief, as found."""
        if not self.steps:
            self._begin(found.choices[0])
        places = []
        asked: dict[int, tuple[str, ...]] = {}  # a series asks the same of all its frames
        for choice in found.choices:
            self._prepare(choice, goal)
            places.append(len(self.steps))
            part = 0 if finding.is_series(goal) else choice.part
            if part not in asked:
                asked[part] = finding.criteria(self.situation, goal, choice.part)
            self.steps.append(self._exposure(goal, f"g{number}", choice, asked[part]))
        self._tie(goal, f"g{number}", finding.name(goal), found, places)

    def add_timelapse(self, goal: Timelapse, ready: Ready) -> None:
        """The hands and the step of a time-lapse that can be run."""
        if not self.steps:
            self._begin(ready.choice)
        self._prepare(ready.choice, goal)
        self.settle()
        settings = self._settings(ready.choice)
        self.steps.append(ready.step.model_copy(update={"id": self._id("timelapse"), "settings": settings}))

    def finish(self) -> None:
        """What can be done only when all goals are written: ids of equal length."""
        if len(self.steps) > 99:
            width = len(str(len(self.steps)))
            new = {step.id: step.id.zfill(width + 1 + len(step.kind)) for step in self.steps}
            for n, step in enumerate(self.steps):
                renamed = {"id": new[step.id]}
                if isinstance(step, ExposeStep):
                    renamed["reference"] = new[step.reference]
                self.steps[n] = step.model_copy(update=renamed)
            self.groups = [g.model_copy(update={"steps": tuple(new[step] for step in g.steps)}) for g in self.groups]

    def settle(self) -> None:
        """Leave the rig alone again after a shaken picture, so that nobody taps on."""
        if self._shaken:
            self._shaken = False
            text = hands.settle_text(self.situation.kit.support)
            self._hands("settle", text, "The pictures that follow want a rig that stands still.")

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
                return FilterValue(name=item.name, stops=item.stops, turned=value.turned)
        return value

    def _known_distance(self, distance_m: float) -> float:
        """The distance of the subject that stands there, so that a number read back from a plan compares equal."""
        for subject in self.situation.scene.subjects.values():
            if math.isclose(subject.distance_m, distance_m, rel_tol=1e-8):
                return subject.distance_m
        return distance_m

    def _values(self, bits: int, turned: Turned | None = None) -> tuple[FilterValue, ...]:
        return tuple(
            FilterValue(name=item.name, stops=item.stops, turned=turned if item.kind == "polariser" else None)
            for n, item in enumerate(self.situation.kit.filters)
            if bits >> n & 1
        )

    def _id(self, kind: str) -> str:
        return f"{len(self.steps) + 1:02d}-{kind}"

    def _begin(self, first: Choice) -> None:
        """Setting up and metering, as far as the rig needs it."""
        focus = first.focus
        if self._focus is None:
            self._focus, self._focal_mm = focus, first.focal_mm
            self.steps.append(
                OperatorStep(
                    id=self._id("operator"),
                    action="compose",
                    text=hands.compose_text(focus, first.focal_mm, self.situation.kit.support),
                    why="Every picture is compared with another: one framing for all of them, one focus at a time.",
                    focus=focus,
                    focal_length_mm=first.focal_mm,
                )
            )
        if not self.rig.metered:
            self.steps.append(metering_step(self.situation, self._id("control"), self._focus, self._filters))

    def _hands(self, action: Action, text: str, why: str, focal_mm: float | None = None) -> None:
        assert self._focus is not None
        self.steps.append(
            OperatorStep(
                id=self._id("operator"),
                action=action,
                text=text,
                why=why,
                focus=self._focus,
                filters=self._filters,
                focal_length_mm=focal_mm,
            )
        )

    def _prepare(self, choice: Choice, goal: Goal) -> None:
        """Hands before a frame: a filter comes off before the focus ring is turned, and goes on after."""
        part = finding.frame_name(goal, choice.part)
        if not choice.shaken:
            self.settle()
        touched: Action | None = None
        moved = self._focal_mm != choice.focal_mm
        if moved or self._focus is None or self._known_distance(self._focus.distance_m) != choice.focus.distance_m:
            if self._filters:
                self._change_filters((), hands.bare_why(self._filters))
            self._focus, self._focal_mm = choice.focus, choice.focal_mm
            touched = "move" if moved else "focus"
            if moved:
                focal = choice.focal_mm or self.situation.focal_mm
                text = self._move_text(choice, focal)
                self._hands(touched, text, f"The next pictures ({part}) are taken from there.", focal_mm=focal)
            else:
                where = words.metres(choice.focus.distance_m)
                why = f"The next pictures ({part}) are focused at {where}."
                self._hands(touched, hands.focus_text(choice.focus), why)
        after = self._values(choice.filters, choice.turned)
        if self._bits() != choice.filters:
            less = words.stops(sum(value.stops for value in after))
            light = f"is shot with {less} less light" if after else "is shot without a filter"
            self._change_filters(after, f"The next picture ({part}) {light}.")
            touched = touched or "filters"
        elif choice.turned is not None and self.state().turned != choice.turned:
            self._filters = after
            touched = touched or "turn"
            self._hands("turn", hands.turn_text(choice.turned), f"The next picture ({part}) wants it so.")
        if touched:
            self._check(choice, touched)
        if choice.shaken and not self._shaken:
            self._shaken = True
            shaken = hands.shake_text(self.situation.kit.support)
            self._hands("shake", shaken, f"The next picture ({part}) shows what a shaken camera does.")

    def _move_text(self, choice: Choice, focal_mm: float) -> str:
        """Where to put the tripod: by the subject that is kept as large, or back where the brief's distances hold."""
        by = self.situation.kit.support
        if choice.focal_mm is not None and choice.focus.subject is not None:
            return hands.move_text(choice.focus.subject, choice.focus.distance_m, focal_mm, support=by)
        subject = next(iter(self.situation.scene.subjects.values()))
        text = hands.move_text(subject.name, subject.distance_m, focal_mm, as_large=False, support=by)
        return text if choice.focus.subject == subject.name else f"{text} Then {hands.aim(choice.focus)}."

    def _check(self, choice: Choice, after: Action) -> None:
        step = check_step(self.situation, self._id("control"), self._settings(choice), self.state(), after)
        if step:
            self.steps.append(step)

    def _change_filters(self, after: tuple[FilterValue, ...], why: str) -> None:
        before = self._filters
        self._filters = after
        self._hands("filters", hands.filters_text(before, after), why)

    # Frames and groups

    def _part(self, goal: Goal, choice: Choice) -> Goal:
        several = finding.parts(goal)
        return several[choice.part] if len(several) > 1 else goal

    def _marks(self, choice: Choice) -> dict[Kind, Mark]:
        places = {"aperture": choice.aperture, "time": choice.time, "iso": choice.iso}
        return {kind: self.situation.scale(kind).marks[places[kind]] for kind in KINDS}

    def _mark_value(self, kind: Kind, place: int) -> MarkValue:
        if (kind, place) not in self._mark_values:
            self._mark_values[kind, place] = mark_value(self.situation.scale(kind).marks[place])
        return self._mark_values[kind, place]

    def _settings(self, choice: Choice) -> Settings:
        return Settings(
            aperture=self._mark_value("aperture", choice.aperture),
            time=self._mark_value("time", choice.time),
            iso=self._mark_value("iso", choice.iso),
            filters=self._values(choice.filters, choice.turned),
            focus=choice.focus,
            focal_length_mm=choice.focal_mm,
        )

    def _exposure(self, goal: Goal, group: str, choice: Choice, criteria: tuple[str, ...]) -> ExposeStep:
        s, marks, settings = self.situation, self._marks(choice), self._settings(choice)
        part = self._part(goal, choice)
        there = s
        if choice.focal_mm is not None and choice.focus.subject is not None:
            back = choice.focus.distance_m - s.subject(choice.focus.subject).distance_m
            there = s.with_focal_length(choice.focal_mm).stepped_back(back)
        beyond = there.subject(part.subject).farthest_m if part.goal == "isolate" else None
        seen = there.predict(settings, beyond)
        taken = [item.stops for n, item in enumerate(s.kit.filters) if choice.filters >> n & 1]
        level = s.brightness(marks["aperture"], marks["time"], marks["iso"], taken, seen.magnification_loss)
        intended = choice.intended + s.lift
        step_id = self._id("expose")
        return ExposeStep(
            id=step_id,
            goal=finding.frame_name(goal, choice.part),
            group=group,
            reference=step_id,
            held=(),
            changed=(),
            settings=settings,
            intended_offset=float(intended),
            offset=float(level - intended),
            predicted=seen,
            criteria=criteria,
            caption=finding.caption(s, goal, choice, settings, seen),
            shaken=True if choice.shaken else None,
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
        near = f"each frame lies at most {tolerance} from its wanted brightness"
        if max(map(abs, offsets)) > float(self.situation.ground.tolerance) * (1 + 1e-9):
            near = f"the middle of the frames lies at most {tolerance} from the wanted brightness"
        apart = f"the frames lie at most {words.stops(self.situation.limits.spread)} apart"
        if any(frame.intended_offset != frames[0].intended_offset for frame in frames):
            apart += ", the intended steps taken off"
        more = finding.also_changed(goal, changed)
        together = () if alone else (apart, more) if more else (apart,)
        self.groups.append(
            GroupNote(
                id=group,
                title=title,
                steps=tuple(frame.id for frame in frames),
                held=held,
                changed=changed,
                spread=max(offsets) - min(offsets),
                left_out=found.left_out,
                criteria=(near, *together),
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
