"""Judging a run: what each goal asks, held against the run's pictures.

Verdicts are worked out when they are asked for, from the stored pictures alone; the record keeps none. The pictures are
decoded one after another and few are kept, so that memory stays bounded whatever the length of the run.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from daemon.errors import UsageError
from daemon.judging_places import MARKS, Places, control_taken, marked_regions, taken_of, value_of
from daemon.pictures.judging import verdicts
from daemon.pictures.judging.evidence import Evidence, Taken
from daemon.pictures.judging.verdicts import Estimate, Kind, Verdict
from daemon.pictures.opening import PictureUnreadable
from daemon.report import FrameReport, RunReport
from plans.brief import Bracket, Deep, Faults, Freeze, Goal, Isolate, Ladder, Noise, Perspective, Silk, Timelapse
from plans.compiler import brief_of, situation_of
from plans.goals import faults, finding, freeze, isolate, silk
from plans.plan import ExposeStep, GroupNote
from plans.step_words import step_number
from plans.stops import light_of

_LEAST_LIGHT = 3  # frames that tell whether the light held
# A background is planned to be just as soft as asked, and no eye tells a third of a stop of aperture.
A_MARK_LESS = 2 ** (-1 / 6)
SHARPEST_PX = 2.0  # no picture tells a smaller disc or smear from none


@dataclass(frozen=True)
class _Shot:
    report: FrameReport
    taken: Taken

    @property
    def step(self) -> ExposeStep:
        return self.report.step

    @property
    def name(self) -> str:
        return step_number(self.step.id)


class Judge:
    """Judges one run.

    Raises
    ------
    UsageError
        If the run has no picture.
    """

    def __init__(self, found: RunReport):
        self._found = found
        self._situation = situation_of(found.plan)
        self._goals = brief_of(found.plan).goals
        self._shots = {frame.step.id: _Shot(frame, taken_of(frame)) for frame in found.frames if frame.path is not None}
        if not self._shots:
            raise UsageError(f"judge run {found.run.id}: found no kept picture; shoot or resume it first")
        # Whatever else was taken of the scene tells as well: a pair alone is told by the frames that metered for it.
        self._beside = [taken_of(frame) for frame in found.improvised if frame.path is not None]
        self._beside += [control_taken(frame) for frame in found.controls]
        pictures = [shot.taken for shot in self._shots.values()]
        self._places = Places(self._situation.scene.subjects, marked_regions(found.folder / MARKS), pictures)

    @cached_property
    def _evidence(self) -> Evidence:
        pictures = [shot.taken for shot in self._shots.values()]
        return Evidence(pictures, self._situation.kit.corrections.tone, self._beside)

    def verdicts(self, groups: Collection[str] | None = None) -> list[Verdict]:
        """Every verdict of the run, in the plan's order; of the ``groups`` of these ids only, where they are given."""
        found: list[Verdict] = []
        for group in self._found.plan.groups:
            if groups is not None and group.id not in groups:
                continue
            goal = self._goals[int(group.id.removeprefix("g")) - 1]
            if not isinstance(goal, Timelapse):
                found += self._group(goal, group)
        return found

    # -- a group ----------------------------------------------------------------------------------------------------

    def _group(self, goal: Goal, group: GroupNote) -> Iterator[Verdict]:
        here = [self._shots[name] for name in group.steps if name in self._shots]
        missing = [step_number(name) for name in group.steps if name not in self._shots]
        title = group.title
        if missing and not isinstance(goal, Bracket):
            kind = _KINDS.get(goal.goal, "equivalent")
            yield verdicts.untold(kind, title, f"not shot: {', '.join(missing)}", f"shoot {', '.join(missing)}")
        offs = {shot.name: self._off(shot) for shot in here}
        for shot in here:
            yield from self._readable(shot, lambda one=shot: self._single(goal, one))  # type: ignore[misc]
            if shot.report.is_reference or shot.step.reference not in self._shots:
                continue
            if not isinstance(goal, Bracket | Faults):
                yield self._equivalent(shot, offs[shot.name])
            if not isinstance(goal, Perspective):
                yield from self._readable(shot, lambda one=shot: self._framing(one))  # type: ignore[misc]
        known = [off for off in offs.values() if off is not None]
        if isinstance(goal, Bracket):
            yield verdicts.bracket_complete(title, offs, missing)
        elif isinstance(goal, Ladder | Noise) and len(here) > 1 and len(known) == len(here):
            kind_of = "iso" if isinstance(goal, Noise) else goal.change
            rungs = [light_of(kind_of, value_of(shot.report, kind_of)) for shot in here]
            yield verdicts.ladder_even(title, rungs, float(goal.by), known)
        if len(known) >= _LEAST_LIGHT and not isinstance(goal, Faults | Perspective):
            yield verdicts.light_held(title, known)

    def _readable(self, shot: _Shot, tell: Callable[[], Any]) -> Iterator[Verdict]:
        try:
            told = tell()
            yield from [told] if isinstance(told, Verdict) else told
        except PictureUnreadable as error:
            yield verdicts.untold("equivalent", shot.name, str(error), f"shoot {shot.name} again")

    def _off(self, shot: _Shot) -> Estimate | None:
        """How much brighter a frame is than its settings give, against its reference. [stops]"""
        reference = self._shots.get(shot.step.reference)
        if shot.report.is_reference:
            return Estimate(value=0.0, unsure=0.0)
        if reference is None:
            return None
        expected = shot.report.expected_stops
        if expected is None:  # its reading is not written yet
            one, other = shot.step, reference.step
            expected = (one.intended_offset + one.offset) - (other.intended_offset + other.offset)
        try:
            seen, _ = self._evidence.brightness(shot.taken, reference.taken)
        except PictureUnreadable:
            return None
        return None if seen is None else Estimate(value=seen.value - expected, unsure=seen.unsure)

    def _equivalent(self, shot: _Shot, off: Estimate | None) -> Verdict:
        if off is not None:
            return verdicts.equivalent(shot.name, off)
        why = shot.report.why_not_measured or "it cannot be held against its reference"
        return verdicts.untold("equivalent", shot.name, why, f"{shot.name}: shoot it again beside its reference")

    def _framing(self, shot: _Shot) -> Verdict:
        reference = self._shots[shot.step.reference].taken
        seen = self._evidence.framing(shot.taken, reference)
        moved = self._evidence.moved(shot.taken, reference)
        if moved is None:
            again = f"{shot.name}: look at it beside its reference"
            return verdicts.untold("framing held", shot.name, seen.why_none, again)
        ran = self._evidence.ran_about(shot.taken) if not shot.step.shaken else None
        return verdicts.framing_held(shot.name, moved, shot.taken.pixels.width, seen.scale, ran=ran)

    # -- goals of one picture ---------------------------------------------------------------------------------------

    def _single(self, goal: Goal, shot: _Shot) -> Iterator[Verdict]:
        if isinstance(goal, Faults):
            yield from self._fault(goal, shot)
        for part in finding.parts(goal):
            if isinstance(part, Freeze | Silk | Isolate | Deep) and finding.name(part) == shot.step.goal:
                yield self._shown(part, shot)

    def _pixels(self, length_mm: float, shot: _Shot) -> float:
        """A length on the sensor in pixels of the picture as stored."""
        return length_mm * shot.taken.pixels.width / self._situation.kit.body.sensor.width_mm

    def _shown(self, goal: Freeze | Silk | Isolate | Deep, shot: _Shot) -> Verdict:
        situation, name = self._situation, shot.name
        if isinstance(goal, Freeze | Silk):
            smear = self._smear(goal.subject, shot)
            if isinstance(smear, str):
                return verdicts.untold(_KINDS[goal.goal], name, smear, _more_times(shot))
            if isinstance(goal, Freeze):
                most = max(self._pixels(freeze.most_mm(situation, goal), shot), SHARPEST_PX)
                return verdicts.frozen(name, goal.subject, smear, most)
            whole = self._pixels(silk.whole_mm(situation, goal), shot)
            low, high = silk.window(goal)
            return verdicts.silky(name, goal.subject, goal.grade, smear, (low * whole, high * whole))
        sharp = max(self._pixels(situation.coc_mm, shot), SHARPEST_PX)
        if isinstance(goal, Isolate):
            own, back = self._disc(goal.subject, "near", shot), self._disc(None, "far", shot)
            if own is None or back is None:
                return verdicts.untold("isolated", name, _NO_DISC, _another_aperture(shot))
            least = A_MARK_LESS * isolate.least_share(goal) * shot.taken.pixels.width
            return verdicts.isolated(name, goal.subject, own, back, sharp, least)
        near, far = self._disc(goal.from_subject, "near", shot), self._disc(goal.to_subject, "far", shot)
        if near is None or far is None:
            return verdicts.untold("deep", name, _NO_DISC, _another_aperture(shot))
        return verdicts.deep(name, {goal.from_subject: near, goal.to_subject: far}, sharp)

    def _fault(self, goal: Faults, shot: _Shot) -> Iterator[Verdict]:
        parts = range(len(goal.show) + 1)
        part = next((one for one in parts if faults.frame_name(goal, one) == shot.step.goal), 0)
        wrong, right = faults.mistake(goal, part), self._shots.get(shot.step.reference)
        if wrong is None or right is None:
            return
        meant, unit = faults.amount(self._situation, goal, wrong), "px"
        if wrong in ("under", "over"):
            seen, _ = self._evidence.brightness(shot.taken, right.taken)
            amount: Estimate | None = seen and seen.times(-1.0 if wrong == "under" else 1.0)
            amount = amount and Estimate(value=amount.value, unsure=abs(amount.unsure))
            unit = "stops"
        else:
            meant = meant * self._pixels(self._situation.coc_mm, shot)
            if wrong == "motion":
                mover = faults.moved(self._situation, goal)
                smear = self._smear(mover.name, shot) if mover else ""
                amount = smear if isinstance(smear, Estimate) else None
            elif wrong == "shaken":
                amount = self._evidence.shake(shot.taken, right.taken)
            else:
                region = self._places.of(goal.subject, "near", shot.taken)
                amount = None if region is None else self._evidence.disc_against(shot.taken, right.taken, region)
        if amount is None:
            yield verdicts.untold("fault shown", shot.name, f"{wrong}: cannot be measured here", "look at it enlarged")
        else:
            yield verdicts.fault_shown(shot.name, wrong, amount, meant, unit)

    def _smear(self, subject: str, shot: _Shot) -> Estimate | str:
        region = self._places.of(subject, "moving", shot.taken)
        if region is None:
            return f"where {subject} moves was not found; mark it on the page or in the brief (region of {subject})"
        seen = self._evidence.smear(shot.taken, region)
        why = f"too few frames of other times at this focus, or a place of {subject} in which little moves"
        return why if seen is None else seen

    def _disc(self, subject: str | None, role: str, shot: _Shot) -> Estimate | None:
        if subject is None:
            behind = self._situation.background(shot.step.settings.focus.distance_m)
            subject = behind.name if behind else ""
        region = self._places.of(subject, role, shot.taken)
        seen = None if region is None else self._evidence.disc(shot.taken, region)
        if seen is None or role != "near" or self._places.is_marked(subject):
            return seen
        # A place found by being sharp cannot tell that the subject is not: it was found wrong, or holds more than it.
        return Estimate(value=seen.value, unsure=max(seen.unsure, 0.5 * seen.value))


_KINDS: dict[str, Kind] = {
    "freeze": "frozen", "silk": "silky", "isolate": "isolated", "deep": "deep", "ladder": "ladder even",
    "noise": "ladder even", "faults": "fault shown",
}  # fmt: skip
_HELD = ("equivalent", "framing held", "light held")
_NO_DISC = (
    "how large a point has become cannot be told: that takes a frame of the same focus at another aperture, and fine "
    "structure where the subject is"
)


def _another_aperture(shot: _Shot) -> str:
    return f"{shot.name}: shoot one more of the same focus, two stops or more from {shot.step.settings.aperture.mark}"


def _more_times(shot: _Shot) -> str:
    return f"{shot.name}: shoot two more at the same focus, at 1/500 s and 1/60 s or so"


def few_words(told: Collection[Verdict]) -> dict[str, str]:
    """What was judged of single pictures, in a few words for a caption, by number of the step (``step 3``).

    What each picture was shot for comes first; that its brightness and framing hold is said only where they do not.
    """
    found: dict[str, list[str]] = {}
    for one in told:
        if one.about.startswith("step ") and (one.kind not in _HELD or one.answer == verdicts.NOT):
            found.setdefault(one.about, []).append(f"{one.kind}: {one.answer}")
    return {about: "; ".join(words) for about, words in found.items()}


def captions_of(found: RunReport) -> dict[str, str]:
    """`few_words` on the pictures of a run by id of their steps; nothing of a run without a picture."""
    if not any(frame.path for frame in found.frames):
        return {}
    words = few_words(Judge(found).verdicts())
    return {one.step.id: words[name] for one in found.frames if (name := step_number(one.step.id)) in words}


def to_shoot(found: RunReport, told: list[Verdict]) -> set[str]:
    """Ids of the steps that are open, or of which a verdict says that they do not show what they should."""
    failed = {one.about for one in told if one.answer == verdicts.NOT}
    return {frame.step.id for frame in found.frames if frame.path is None or step_number(frame.step.id) in failed}
