"""What control readings say of the light while a group of frames is shot, and what to do about it.

A control reading is the brightness of a frame at fixed settings, in stops against any one frame of the same settings
and the same rig: what changes in it is the light. Three grades:

``full``
    a reading before and after each frame; a cloud is waited for, a frame that the light changed under is taken again
``ends``
    a reading before the first frame and one after the last: steady drift shows, a short cloud mostly does not
``off``
    none

Where the settings' own errors were measured, each frame is a reading too: its brightness less what its settings give.
The two ways of telling the light fail differently, so that both are asked.

The figures below were found by simulation of clouds, drift and flutter over groups of six frames; the checks repeat it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Grade = Literal["full", "ends", "off"]
GRADES: tuple[Grade, ...] = ("full", "ends", "off")
Deed = Literal["shoot", "wait"]
Judgement = Literal["keep", "retake", "keep as it is"]

STEADY = 0.15  # light that moves by less is not told from noise [stops]
STEADY_MORE = 0.1  # a day's own drift is allowed for [stops a minute]
CLOUD = 0.5  # light that leaves its place faster than this is a cloud, slower is the day's own drift [stops a minute]
PAUSE_S = 5.0  # between two looks at a cloud [s]
LONGEST_WAIT_S = 300.0  # for one cloud [s]
RETAKES = 2  # of one frame
RECENT_S = 5.0  # a reading not older than this stands for the next one before [s]
AGREEING = 0.12  # readings of two kinds that lie within this are averaged [stops]
_SHORTEST_S = 10.0  # over less, a reading's noise would look like speed [s]
_OWN_SHARE = 0.85  # a frame's own reading carries the settings' remaining errors; this much of its range is light


def tolerance(elapsed_s: float) -> float:
    """How far the light may lie from what it was, ``elapsed_s`` later, before that counts. [stops]"""
    return STEADY + STEADY_MORE * max(0.0, elapsed_s) / 60


@dataclass(frozen=True)
class Kept:
    """The light around one frame that counts. Levels against any one zero of the group. [stops], [s]

    ``before`` and ``after``: control readings, None where none was taken. ``own``: the frame's brightness less what
    its settings give; None where the settings' errors were not measured. ``slack``: how uncertain the levels are
    against those of other frames, because another filter was on.
    """

    step: str
    before: float | None = None
    after: float | None = None
    own: float | None = None
    slack: float = 0.0

    @property
    def level(self) -> float | None:
        """The light in mid-frame by control readings. [stops]"""
        known = [value for value in (self.before, self.after) if value is not None]
        return sum(known) / len(known) if known else None


@dataclass(frozen=True)
class Account:
    """What the light did over a group.

    ``moved``: how far it ranged over the frames that count [stops]; None: it was not looked at. ``shifted``: whether
    that is more than may be put down to noise. ``corrections``: by step, stops by which a frame came out brighter than
    in the light of the group's first frame. ``residual``: how far those may be off [stops].
    """

    grade: Grade
    moved: float | None
    shifted: bool
    corrections: dict[str, float]
    residual: float | None
    waited_s: float = 0.0
    retakes: int = 0

    def __str__(self) -> str:
        return in_words(self)


class Watch:
    """Watches the light over one group: told each reading, it says whether to shoot, wait, keep or take again.

    Call `before` with each reading before a frame until it says ``shoot``; after the frame `after`, until it does not
    say ``retake``. In the grades ``ends`` and ``off`` `needs_reading` is false where no reading is due, and nothing is
    waited for or taken again.
    """

    def __init__(self, grade: Grade, steps: Sequence[str]):
        self.grade, self._steps = grade, tuple(steps)
        self.waited_s = 0.0
        self.retakes = 0
        self._kept: dict[str, Kept] = {}
        self._zero: tuple[float, float] | None = None  # the light of the first frame, and when it was [stops], [s]
        self._before: tuple[float, float] | None = None
        self._latest: tuple[float, float, float] | None = None  # level, slack, time
        self._sound: tuple[float, float] | None = None  # the latest reading that was accepted, and when it was
        self._slack = 0.0
        self._waited_here_s = 0.0
        self._tries: dict[str, int] = {}
        self._patient = True

    def needs_reading(self, step: str, when: Literal["before", "after"], at_s: float) -> bool:
        """Whether a control reading is due; not where the one just taken still stands. ``at_s``: now. [s]"""
        if self.grade == "off" or step not in self._steps:
            return False
        if self.grade == "ends":
            return step == (self._steps[0] if when == "before" else self._steps[-1])
        return when == "after" or self._latest is None or at_s - self._latest[2] > RECENT_S

    def go_on_from(self, kept: Kept, age_s: float, now_s: float) -> None:
        """A frame that counts from before an interruption, ``age_s`` ago. [s]"""
        self._kept[kept.step] = kept
        if self._zero is None and kept.level is not None:
            self._zero = (kept.level, now_s - age_s)

    def kept(self, step: str) -> Kept | None:
        """The light around a frame that counts; None: it was not told yet."""
        return self._kept.get(step)

    def rig_touched(self) -> None:
        """Hands did something: the latest reading no longer stands."""
        self._latest = None

    def before(self, level: float | None, at_s: float, slack: float = 0.0) -> Deed:
        """Told the light before a frame, whether to shoot or to wait `PAUSE_S` and read again.

        ``level`` None: the latest reading stands. ``slack``: how uncertain it is against those of the group's other
        frames, because other filters were on. [stops], [s]
        """
        if level is None:
            if self._latest is None:
                self._before = None
                return "shoot"
            level, slack, at_s = self._latest
        self._latest = (level, slack, at_s)
        self._before, self._slack = (level, at_s), slack
        if self.grade != "full" or self._zero is None or not self._patient:
            return "shoot"
        if not self._is_cloud(level, at_s, slack):
            self._waited_here_s, self._sound = 0.0, (level, at_s)
            return "shoot"
        if self._waited_here_s + PAUSE_S > LONGEST_WAIT_S:
            self._patient = False  # it will not come back: waiting at every frame would cost an evening
            return "shoot"
        self._waited_here_s += PAUSE_S
        self.waited_s += PAUSE_S
        self._latest = None
        return "wait"

    def after(self, step: str, level: float | None, at_s: float, own: float | None = None) -> Judgement:
        """Told the light after a frame, whether the frame counts. ``level`` None: no reading was due. [stops], [s]"""
        before = self._before[0] if self._before else None
        self._before = None
        steady = True
        if level is not None:
            self._latest = (level, self._slack, at_s)
            steady = before is None or abs(level - before) <= STEADY
            if self._patient and self._is_cloud(level, at_s, self._slack):
                steady = False
            elif steady:
                self._sound = (level, at_s)
        if not steady and self.grade == "full" and self._tries.get(step, 0) < RETAKES:
            self._tries[step] = self._tries.get(step, 0) + 1
            self.retakes += 1
            return "retake"
        self._kept[step] = Kept(step, before, level, own, self._slack)
        if self._zero is None and (here := self._kept[step].level) is not None:
            self._zero = (here, at_s)
        return "keep" if steady else "keep as it is"

    def _is_cloud(self, level: float, at_s: float, slack: float) -> bool:
        """Whether the light left its place, and faster than the day does: it will come back. [stops], [s]"""
        if self._zero is None or abs(level - self._zero[0]) <= tolerance(at_s - self._zero[1]) + slack:
            return False
        if self._sound is None or self._waited_here_s:
            return True
        minutes = max(at_s - self._sound[1], _SHORTEST_S) / 60
        return abs(level - self._sound[0]) - slack > CLOUD * minutes

    def told_own(self, step: str, own: float | None) -> None:
        """A frame's own reading that came later than `after`."""
        if step in self._kept:
            kept = self._kept[step]
            self._kept[step] = Kept(step, kept.before, kept.after, own, kept.slack)

    def account(self) -> Account:
        """What the light did over the frames so far."""
        kept = [self._kept[step] for step in self._steps if step in self._kept]
        found = account(kept, self.grade)
        return Account(
            found.grade, found.moved, found.shifted, found.corrections, found.residual, self.waited_s, self.retakes
        )


def account(kept: Sequence[Kept], grade: Grade) -> Account:
    """What readings say of the light over the frames of a group, in the order they were taken."""
    by_control = _known([(frame.step, frame.level) for frame in kept])
    by_frame = _known([(frame.step, frame.own) for frame in kept])
    if grade == "ends":  # two looks tell of the ends alone
        ends = [value for frame in kept for value in (frame.before, frame.after) if value is not None]
        control_range = max(ends) - min(ends) if len(ends) > 1 else None
    else:
        control_range = _range(list(by_control.values())) if len(by_control) > 1 else None
        alone = [value for frame in kept for value in (frame.before, frame.after) if value is not None]
        if control_range is None and len(kept) == 1 and len(alone) > 1:
            control_range = _range(alone)
    slack = max((frame.slack for frame in kept), default=0.0)
    own_range = _range(list(by_frame.values())) if len(by_frame) > 1 else None
    within = [abs(frame.after - frame.before) for frame in kept if frame.before is not None and frame.after is not None]
    shifted = (
        (control_range is not None and control_range > STEADY + slack)
        or (own_range is not None and _OWN_SHARE * own_range > STEADY)
        or (grade == "full" and any(step > STEADY for step in within))
    )
    moved = max((value for value in (control_range, own_range) if value is not None), default=None)
    corrections, residual = _corrections(kept, by_control if grade == "full" else {}, by_frame)
    return Account(grade, moved, shifted, corrections, residual)


def _known(pairs: Sequence[tuple[str, float | None]]) -> dict[str, float]:
    return {step: value for step, value in pairs if value is not None}


def _range(values: Sequence[float]) -> float:
    return max(values) - min(values)


def _corrections(
    kept: Sequence[Kept], control: dict[str, float], own: dict[str, float]
) -> tuple[dict[str, float], float | None]:
    """Each frame's light against the first one's, and how far that may be off. [stops]

    A frame's own reading is of the very moment, so it leads; the control readings steady it where the two agree.
    """
    if not kept:
        return {}, None
    # Two kinds of reading have each a zero of its own: the median puts one onto the other.
    both = sorted(
        own[frame.step] - control[frame.step] for frame in kept if frame.step in own and frame.step in control
    )
    shift = both[len(both) // 2] if both else 0.0
    lights: dict[str, float] = {}
    doubts = []
    for frame in kept:
        by_frame, by_control = own.get(frame.step), control.get(frame.step)
        if by_control is not None:
            by_control += shift
        if by_frame is not None and by_control is not None:
            agree = abs(by_frame - by_control) <= AGREEING
            lights[frame.step] = (by_frame + by_control) / 2 if agree else by_frame
            doubts.append(abs(by_frame - by_control) / 2 if agree else STEADY / 2)
        elif by_frame is not None:
            lights[frame.step] = by_frame
            doubts.append(STEADY / 2)
        elif by_control is not None:
            lights[frame.step] = by_control
            apart = abs(frame.after - frame.before) if frame.before is not None and frame.after is not None else STEADY
            doubts.append(max(apart / 2, STEADY / 4) + frame.slack)
    if not lights:
        return {}, None
    zero = next(lights[frame.step] for frame in kept if frame.step in lights)
    return {step: value - zero for step, value in lights.items()}, max(doubts)


def in_words(found: Account) -> str:
    """What the light did over a group, for people."""
    if found.moved is None:
        return "the light was not looked at"
    parts = []
    if found.shifted:
        parts.append(f"the light moved by {found.moved:.2f} stop over this group")
        if found.residual is not None:
            parts.append(f"it is taken into account to about {found.residual:.2f} stop")
    else:
        parts.append(f"the light held within {max(found.moved, 0.005):.2f} stop")
    if found.grade == "ends":
        parts.append("it was read at the two ends only, where a short cloud between goes unseen about half the time")
    if found.waited_s:
        parts.append(f"{found.waited_s:.0f} s were waited for clouds")
    if found.retakes:
        parts.append(f"{found.retakes} frame{'s were' if found.retakes > 1 else ' was'} taken again")
    return "; ".join(parts)


@dataclass(frozen=True)
class Cost:
    """What a grade costs: control readings and their time for sure, and the most that waiting and retakes may add."""

    readings: int
    seconds: float
    most_seconds: float

    def __str__(self) -> str:
        if not self.readings:
            return "no control readings; nothing tells a cloud from a setting"
        more = f", and up to {self.most_seconds / 60:.0f} min more under clouds" if self.most_seconds else ""
        return f"{self.readings} control readings, about {self.seconds:.0f} s{more}"


def cost(grade: Grade, frames_s: Sequence[float], reading_s: float) -> Cost:
    """What a grade costs over one group.

    Parameters
    ----------
    frames_s
        How long each frame takes, readout included. [s]
    reading_s
        How long a control reading takes. [s]
    """
    if grade == "off" or not frames_s:
        return Cost(0, 0.0, 0.0)
    if grade == "ends":
        return Cost(2, 2 * reading_s, 0.0)
    readings = len(frames_s) + 1  # the one after a frame is the one before the next
    again = RETAKES * sum(frame + 2 * reading_s for frame in frames_s)
    return Cost(readings, readings * reading_s, again + LONGEST_WAIT_S)
