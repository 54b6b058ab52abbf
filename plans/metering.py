"""The metering frame: the first of a run, from which the light is told."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from plans.exposure import magnification_loss
from plans.goals import words
from plans.goals.situation import Situation
from plans.plan import ControlStep, FilterValue, Focus, Settings, mark_value

_F8_LIGHT = Fraction(-6)


def metering_step(situation: Situation, step_id: str, focus: Focus, filters: Sequence[FilterValue]) -> ControlStep:
    """A frame that should come out right: aperture nearest to f/8, lowest native ISO, the time nearest to right.

    Where the time scale ends too soon, the aperture gives way first and ISO then. ``filters`` are those on the lens.
    What the pictures are meant to be brighter than metered is left out here; limits of the times and what was measured
    on lens and shutter count.
    """
    s = situation
    isos, apertures, times = (s.scale(kind).marks for kind in ("iso", "aperture", "time"))
    bulb = s.kit.body.bulb_above_s
    if bulb is not None:  # nobody waits minutes for a meter
        times = tuple(mark for mark in times if mark.exact <= bulb * (1 + 1e-9)) or times
    native = [mark for mark in isos if mark in s.kit.body.iso_native.marks]
    loss = magnification_loss(s.magnification(focus.distance_m))
    stops = [value.stops for value in filters]

    def nearest(a: int, i: int) -> tuple[Fraction, tuple[int, int, int]]:
        levels = [s.brightness(apertures[a], time, isos[i], stops, loss) for time in times]
        t = min(range(len(times)), key=lambda n: abs(levels[n]))
        return levels[t], (a, t, i)

    start_a = min(range(len(apertures)), key=lambda n: abs(apertures[n].light - _F8_LIGHT))
    start_i = isos.index(min(native, key=lambda mark: mark.light)) if native else 0
    level, best = nearest(start_a, start_i)
    if abs(level) > s.ground.tolerance:
        if level < 0:
            ways = [(a, start_i) for a in reversed(range(start_a))] + [(0, i) for i in range(start_i, len(isos))]
        else:
            end = len(apertures) - 1
            ways = [(a, start_i) for a in range(start_a, end + 1)] + [(end, i) for i in reversed(range(start_i))]
        for a, i in ways:
            other, choice = nearest(a, i)
            if abs(other) < abs(level):
                level, best = other, choice
            if abs(level) <= s.ground.tolerance:
                break
    guessed = s.scene.light.origin == "guess" and s.ev100 == s.scene.light.ev100
    expected = f"The light is {'not known yet; a guess is' if guessed else 'expected at'} {words.ev(s.ev100)}."
    return ControlStep(
        id=step_id,
        purpose="meter",
        settings=Settings(
            aperture=mark_value(apertures[best[0]]),
            time=mark_value(times[best[1]]),
            iso=mark_value(isos[best[2]]),
            filters=tuple(filters),
            focus=focus,
        ),
        predicted_ev100=s.ev100,
        text=f"One frame to meter by. {expected}",
    )
