"""The time-lapse controller: from one frame's reading to the next frame's settings, as a pure step function.

All settings of a run lie on one ladder of rungs, from the fastest time at base ISO to the longest time at the highest
ISO, so that one index tells them all and sunrise retraces sunset. The controller estimates the light's level and rate
with a Kalman filter, takes what cannot be light (flashes, people passing) with a bounded pull, lets a sustained change
through by a cumulative sum, and moves the index with hysteresis that leans into the trend. It knows nothing of the sky.

Levels are EV100 [stops], brighter is more; rates are stops a second; ``light`` of a rung is what its settings give, in
stops (`plans.stops`), so that a frame's brightness against mid grey is level + light.

References
----------
Kalman filter of a constant rate driven by white noise; Page's cumulative sum. The figures in `Tuning` were found by
simulation on scenes of our own (tests/bench_light.py), and not on a camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from plans.light_state import Decision, Limit, Look, Reading, State, Tuning

__all__ = ["Controller", "Decision", "Limit", "Look", "Reading", "State", "Tuning"]

_END = 1e-9  # [stops] what rounding leaves


@dataclass(frozen=True)
class Controller:
    """The controller of one run: its ladder, the look of the night and its tuning. It holds no state.

    ``rungs``: what each rung's settings give, ascending. [stops]
    """

    rungs: tuple[float, ...]
    look: Look = field(default_factory=Look)
    tuning: Tuning = field(default_factory=Tuning)

    def __post_init__(self) -> None:
        if not self.rungs:
            raise ValueError("a ladder of settings needs at least one rung")
        if any(after - before <= _END for before, after in zip(self.rungs, self.rungs[1:], strict=False)):
            raise ValueError("the rungs of a ladder must give more light one after the other")

    def start(self, level: float, at_s: float = 0.0, rate: float = 0.0) -> State:
        """The state at a run's start, from the level that the test frames settled on. [EV100], [s], [stops/s]"""
        t = self.tuning
        index = self.nearest(self.look.light(level))
        return State(at_s, level, rate, 0.05, 0.0, 1e-7, t.noise**2, 0.0, 0.0, index, at_s)

    def nearest(self, light: float) -> int:
        """The rung that gives ``light`` most nearly; of two alike the darker one. [stops]"""
        return min(range(len(self.rungs)), key=lambda n: (abs(self.rungs[n] - light), n))

    def onto(self, state: State, before: Controller) -> State:
        """The state on this ladder instead of the one ``before``, for a change of the interval."""
        return replace(state, index=self.nearest(before.rungs[min(state.index, len(before.rungs) - 1)]), against_s=0.0)

    def step(self, state: State, reading: Reading | None, next_s: float) -> tuple[State, Decision]:
        """Take in one frame's reading, or note that there is none, and decide on the frame at ``next_s``.

        Parameters
        ----------
        state
            From `start`, from the step before, or read back from the record.
        reading
            The newest frame's; it may be older than the last decision, since pictures are read off the critical path.
            One that is older than the last reading is left out.
        next_s
            When the frame is due that the decision is for. [s since the run's start]
        """
        told = _Told()
        if reading is None or reading.at_s < state.at_s:
            state = replace(state, unread=state.unread + 1)
        else:
            dt = reading.at_s - state.at_s
            state, told = self._take_in(self._predict(state, dt), reading, dt or 1.0)
            state = replace(self._sharpness(state, reading, dt), unread=0)
        return self._decide(state, told, next_s)

    # -- the light ----------------------------------------------------------------------------------------------------

    def _predict(self, s: State, dt: float) -> State:
        t = self.tuning
        return replace(
            s,
            at_s=s.at_s + dt,
            level=s.level + s.rate * min(dt, t.reach_s),
            p_level=s.p_level + 2 * dt * s.p_cross + dt * dt * s.p_rate + t.walk * dt + t.swing * dt**3 / 3,
            p_cross=s.p_cross + dt * s.p_rate + t.swing * dt * dt / 2,
            p_rate=s.p_rate + t.swing * dt,
        )

    def _take_in(self, s: State, reading: Reading, dt: float) -> tuple[State, _Told]:
        t = self.tuning
        floor = t.noise**2
        new = reading.brightness - self.rungs[reading.index] - s.level
        r = min(max(s.noise, floor), 0.5)
        gate = max(3 * math.sqrt(s.p_level + r), t.clip)
        if reading.clipped or reading.dark:
            r = 0.5
        held = min(max(new, -t.clip), t.clip)
        each = min(dt, t.each_s)
        up, down = max(0.0, s.up + (held - t.drift) * each), max(0.0, s.down + (-held - t.drift) * each)
        told = _Told()
        if max(up, down) > t.alarm:
            told = _Told(jumped=True)
            s = replace(s, p_level=0.25, p_cross=0.0, noise=floor)
            s, up, down = self._update(s, min(max(new, -1.0), 1.0), 0.04), 0.0, 0.0
        elif abs(new) > gate:
            told = _Told(surprise=True)
            pull = -t.clip if new < 0 else t.flash
            gain = 1 / (s.p_level + r)
            s = replace(s, level=s.level + s.p_level * gain * pull, rate=s.rate + 0.3 * s.p_cross * gain * pull)
        else:
            s = self._update(s, new, r)
        most = max(t.clip, 3 * math.sqrt(s.noise)) ** 2
        noise = s.noise + (1 - math.exp(-dt / t.adapt_s)) * (min(new * new, most) - s.noise)
        blind = s.blind + 1 if reading.clipped else 0
        return replace(s, noise=noise, up=up, down=down, blind=blind), told

    @staticmethod
    def _update(s: State, new: float, r: float) -> State:
        gain = 1 / (s.p_level + r)
        k0, k1 = s.p_level * gain, s.p_cross * gain
        return replace(
            s,
            level=s.level + k0 * new,
            rate=s.rate + k1 * new,
            p_level=(1 - k0) * s.p_level,
            p_rate=s.p_rate - k1 * s.p_cross,
            p_cross=(1 - k0) * s.p_cross,
        )

    # -- the settings -------------------------------------------------------------------------------------------------

    def _decide(self, s: State, told: _Told, next_s: float) -> tuple[State, Decision]:
        t, rungs, index = self.tuning, self.rungs, min(s.index, len(self.rungs) - 1)
        waited = max(next_s - s.decided_s, 0.0)
        if s.blind >= t.blind:  # the reading only says "at least this much": go a stop darker and look again
            index = self._down_by(index, 1.0)
            s = replace(s, level=max(s.level, self._level_of(rungs[index])), p_level=0.5, p_cross=0.0, blind=0)
        level = s.level + s.rate * min(next_s - s.at_s, t.reach_s)
        wanted = self.look.light(level)
        error = wanted - rungs[index]
        brighter = error > 0
        beyond = index + (1 if brighter else -1)
        against = 0.0
        if 0 <= beyond < len(rungs):
            gap = abs(rungs[beyond] - rungs[index])
            trend = (
                0 if abs(s.rate) <= max(t.trend, t.sure * math.sqrt(s.p_rate)) else (1 if s.rate < 0 else -1)
            )  # falling light wants brighter settings
            along = trend == (1 if brighter else -1)
            limit = gap * (t.hold if trend == 0 else t.lean if along else t.oppose)
            patience = 0.0 if along else t.patience_s
            if s.heading == (-1 if brighter else 1) and next_s - s.moved_s < t.forget_s:
                limit, patience = max(limit, gap * t.turn), max(patience, t.turn_s)
            if abs(error) > limit:
                against = s.against_s + waited
                if against >= patience:
                    index, against = self._toward(index, wanted), 0.0
        error = rungs[index] - wanted
        end: Limit | None = None
        if index == len(rungs) - 1 and error < -self._gap(index):
            end = "dark"
        elif index == 0 and error > self._gap(index):
            end = "bright"
        heading = s.heading if index == s.index else (1 if index > s.index else -1)
        moved = s.moved_s if index == s.index else next_s
        s = replace(s, index=index, decided_s=next_s, against_s=against, heading=heading, moved_s=moved)
        fogging = s.fog_s >= t.fog_s
        return s, Decision(index, level, wanted, error, s.rate, end, told.surprise, told.jumped, fogging, s.unread)

    def _toward(self, index: int, wanted: float) -> int:
        """One rung toward the wanted light; two when it lies more than three rungs' worth away."""
        sign = 1 if wanted > self.rungs[index] else -1
        one = index + sign
        two = one + sign
        if 0 <= two < len(self.rungs) and abs(wanted - self.rungs[index]) >= 3 * self._gap(index) - _END:
            return two
        return one

    def _gap(self, index: int) -> float:
        near = [abs(self.rungs[n] - self.rungs[index]) for n in (index - 1, index + 1) if 0 <= n < len(self.rungs)]
        return max(near, default=0.0)

    def _down_by(self, index: int, stops: float) -> int:
        low = self.rungs[index] - stops - _END
        return next((n for n in range(index, -1, -1) if self.rungs[n] <= low + 2 * _END), 0)

    def _level_of(self, light: float) -> float:
        """The level of light for which settings that give ``light`` are right. [EV100]"""
        low, high = self.look.by_day - light - self.look.depth, self.look.by_day - light
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (low, middle) if self.look.light(middle) < light else (middle, high)
        return (low + high) / 2

    # -- fog on the lens ----------------------------------------------------------------------------------------------

    def _sharpness(self, s: State, reading: Reading, dt: float) -> State:
        """Fog takes detail away over minutes while brightness hardly changes; falling light leaves detail as it is.

        The best detail of late fades slowly from memory, so that detail which goes with the light over an hour is
        no alarm. A reading at the end of its scale, or one that was no light, tells nothing.
        """
        t = self.tuning
        value = reading.sharpness
        if value is None or not value > 0 or reading.clipped or reading.dark:
            return s
        seen = math.log2(value)
        if s.sharp is None or s.sharp_best is None:
            return replace(s, sharp=seen, sharp_best=seen, fog_s=0.0)
        held = min(max(seen, s.sharp - 1.0), s.sharp + 1.0)  # one picture with a passer-by in it tells little
        sharp = s.sharp + (1 - math.exp(-dt / t.fog_s)) * (held - s.sharp)
        best = max(sharp, s.sharp_best + (1 - math.exp(-dt / t.fog_memory_s)) * (sharp - s.sharp_best))
        is_told = s.fog_s >= t.fog_s  # once told it stays until half of what was lost is back, so that it is told once
        fogged = best - sharp > t.fog_stops * (0.5 if is_told else 1.0)
        return replace(s, sharp=sharp, sharp_best=best, fog_s=s.fog_s + dt if fogged else 0.0)


@dataclass(frozen=True)
class _Told:
    surprise: bool = False
    jumped: bool = False
