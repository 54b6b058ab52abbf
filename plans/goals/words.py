"""How numbers and settings are put into sentences."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from fractions import Fraction

from plans.kit import Filter
from plans.plan import Settings
from plans.stops import Kind, Mark


def figures(value: float, digits: int = 3) -> str:
    """``value`` with so many significant digits, never with an exponent."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "infinite"
    places = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    text = f"{value:.{min(places, 9)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def metres(value: float | None) -> str:
    """A distance in the scene; None and infinite are ``infinity``. [m]"""
    return "infinity" if value is None or math.isinf(value) else f"{figures(value)} m"


def millimetres(value: float) -> str:
    """A length on the sensor, never finer than a thousandth. [mm]"""
    if 0 < value < 0.001:
        return "less than 0.001 mm"
    return f"{value:.3f} mm" if value < 0.1 else f"{figures(value)} mm"


def percent(share: float) -> str:
    """A share of one in per cent."""
    value = share * 100
    return f"{figures(value, 2) if value < 100 else round(value)} %"


def seconds(value: float) -> str:
    """An exact exposure time, below 0.3 s as a fraction. [s]"""
    if value >= 0.3:
        return f"{figures(value, 2)} s"
    below = 1 / value
    if below < 10:
        return f"1/{figures(below, 2)} s"
    return f"1/{round(below) if below < 10000 else round(below / 100) * 100} s"


def stops(value: Fraction | float) -> str:
    """A number of stops: ``1/3 stop``, ``2 stops``, ``2.4 stops``."""
    if isinstance(value, Fraction):
        return f"{value} stop" if abs(value) <= 1 else f"{value} stops"
    text = (f"{value:.2f}" if abs(value) < 0.995 else f"{value:.1f}").removesuffix(".0")
    return f"{text} stop" if abs(float(text)) <= 1 else f"{text} stops"


def mixed(value: Fraction | float) -> str:
    """A number of stops, fractions as they are counted on the dials: ``2 1/3 stops``, ``1/3 stop``, ``2.41 stops``.

    Its sign is left out. A number that no sixth of a stop comes near is told with two decimals.
    """
    size: Fraction = abs(Fraction(value).limit_denominator(6))
    if abs(float(size) - abs(float(value))) > 0.0005:
        return stops(round(abs(float(value)), 2))
    whole, rest = divmod(size, 1)
    text = " ".join([str(whole)] * bool(whole) + [str(rest)] * bool(rest)) or "0"
    return f"{text} {'stop' if 0 < size <= 1 else 'stops'}"


def light_factor(stops_more: Fraction) -> str:
    """So many stops more or less, as light: ``4 times the light``, ``1/4 of the light``, ``79 % of the light``."""
    if stops_more > 0:
        return f"{figures(float(2**stops_more), 3)} times the light"
    if stops_more.denominator == 1:
        return f"1/{2**-stops_more} of the light"
    return f"{percent(float(2**stops_more))} of the light"


def ev(value: float, guessed: bool = False) -> str:
    """An exposure value to a tenth of a stop, which is finer than it is known: ``EV 13``, ``about EV -7.4``. [stops]"""
    text = f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")
    return f"{'about ' * guessed}EV {text}"


def turned(how: str) -> str:
    """How a polariser is turned (``least`` or ``most``), by what is seen: ``reflections strongest``."""
    return f"reflections {'strongest' if how == 'least' else 'weakest'}"


def mark(value: Mark) -> str:
    """A mark with what it is: ``f/5.6``, ``1/60 s``, ``ISO 800``."""
    return {"aperture": "{}", "time": "{} s", "iso": "ISO {}"}[value.kind].format(value.label)


def exact(kind: Kind, value: float) -> str:
    """An exact value with what it is: ``f/28.6``, ``1/16 s``, ``ISO 50``."""
    if kind == "aperture":
        return f"f/{figures(value)}"
    return seconds(value) if kind == "time" else f"ISO {figures(value, 2) if value < 100 else round(value)}"


def listed(items: Iterable[str], last: str = "and") -> str:
    """Items with commas and a word before the last."""
    several = list(items)
    return f" {last} ".join([", ".join(several[:-1]), several[-1]] if len(several) > 1 else several)


def bag(filters: Sequence[Filter], bits: int) -> str:
    """The filters that a set of bits names, or ``no filter``."""
    return listed(item.name for n, item in enumerate(filters) if bits >> n & 1) or "no filter"


def the(name: str) -> str:
    """A subject's name in a sentence: ``the heron``; as it is when it is written as a proper name."""
    return f"the {name}" if name[:1].islower() else name


def shot(settings: Settings) -> str:
    """Settings at the head of a caption: ``f/5.6, 1/4 s, ISO 100, through ND 64``."""
    text = f"{settings.aperture.mark}, {settings.time.mark} s, ISO {settings.iso.mark}"
    return f"{text}, through {listed(item.name for item in settings.filters)}" if settings.filters else text


def sharp(near_m: float, far_m: float | None) -> str:
    """The sharp range: ``sharp from 1.89 m to 2.12 m``."""
    return f"sharp from {metres(near_m)} to {metres(far_m)}"


KIND_WORDS: dict[str, str] = {
    "aperture": "aperture",
    "time": "exposure time",
    "iso": "ISO",
    "focus": "focus",
    "filters": "filters",
}
