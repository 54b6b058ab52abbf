"""Values as a person writes them (``3 m``, ``1/3``, ``tripod``), read strictly and turned into numbers.

A strict grammar comes first: one number, one unit, nothing to be worked out. Only then does pint convert, by a small
registry that knows no other unit than those in `UNITS`, with exact fractions throughout.

The classes below `Written` are annotations for pydantic models: each reads one kind of text, and knows in plain words
what is allowed and an example of it. What they refuse becomes a complaint in `plans.reading`.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, ValidationError, ValidationInfo
from pydantic.fields import FieldInfo
from pydantic_core import InitErrorDetails, PydanticCustomError, core_schema

if TYPE_CHECKING:
    import pint

Dimension = Literal["length", "time", "speed", "stops", "angle", "share", "memory", "illuminance"]

# For each dimension the units a person may write, and what each is for pint.
UNITS: dict[Dimension, dict[str, str]] = {
    "length": {"mm": "mm", "cm": "cm", "m": "m", "km": "km", "in": "inch", "ft": "ft"},
    "time": {"ms": "ms", "s": "s", "min": "min", "h": "h"},
    "speed": {"m/s": "m/s", "km/h": "km/h", "mph": "mile/h", "ft/s": "ft/s", "kn": "knot"},
    "stops": {"stops": "stop", "stop": "stop"},
    "angle": {"deg": "deg"},
    "share": {"%": "percent"},
    "memory": {"MB": "MB", "GB": "GB"},
    "illuminance": {"lx": "lx", "klx": "klx"},
}
# Exact by definition. Source: NIST SP 811 (2008), appendix B: inch 25.4 mm, mile 1609.344 m, knot 1852 m/h.
# A GB is a thousand MB, as cards are sold; SI prefixes as in IEC 80000-13 (from memory).
_DEFINITIONS = (
    "meter = [length] = m",
    "mm = 0.001 * meter",
    "cm = 0.01 * meter",
    "km = 1000 * meter",
    "inch = 0.0254 * meter",
    "foot = 12 * inch = ft",
    "mile = 1609.344 * meter",
    "second = [time] = s",
    "ms = 0.001 * second",
    "min = 60 * second",
    "hour = 3600 * second = h",
    "knot = 1852 * meter / hour",
    "stop = [stop]",
    "deg = [angle]",
    "percent = 0.01",
    "MB = [memory]",
    "GB = 1000 * MB",
    "lx = [illuminance]",
    "klx = 1000 * lx",
)
_WORDS = {
    "metre": "m",
    "meter": "m",
    "centimetre": "cm",
    "centimeter": "cm",
    "millimetre": "mm",
    "millimeter": "mm",
    "kilometre": "km",
    "kilometer": "km",
    "inche": "in",
    "inch": "in",
    "foot": "ft",
    "feet": "ft",
    "second": "s",
    "sec": "s",
    "minute": "min",
    "hour": "h",
    "kmh": "km/h",
    "kph": "km/h",
    "knot": "kn",
    "degree": "deg",
    "ev": "stops",
    "megabyte": "MB",
    "gigabyte": "GB",
    "mb": "MB",
    "gb": "GB",
    "lux": "lx",
    "kilolux": "klx",
}
# What one number with one unit looks like; by the dimension, and by the unit where another is at home there.
_EXAMPLES: dict[str, str] = {
    "length": "2.5 m or 8.2 ft",
    "mm": "35.9 mm or 3.59 cm",
    "time": "1.5 s",
    "speed": "3 m/s or 10 km/h",
    "stops": "2 stops",
    "angle": "52.5 deg",
    "share": "50 %",
    "memory": "64 GB or 12 MB",
    "illuminance": "20000 lx or 20 klx",
}
LONGEST_NUMBER = 20
_DECIMAL = re.compile(r"[+-]?[0-9]+(?:\.[0-9]+)?")
_FRACTION = re.compile(r"([+-]?)(?:([0-9]+) +)?([0-9]+)/([0-9]+)")
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
_WITH_UNIT = re.compile(r"(.*?)\s*([A-Za-z%][A-Za-z%/]*)", re.DOTALL)
_FEET_AND_INCHES = re.compile(r"[0-9]\s*['\"\u2019\u201d\u2032\u2033]")
_PLAIN_NUMBER = "Write a plain number, such as 3 or 0.5"


class Miswritten(ValueError):
    """A text that is no such value; the message says what to write instead."""


@cache
def _registry() -> pint.UnitRegistry[Any]:
    import pint  # a third of a second: only where a brief is read

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(None, cache_folder=None, non_int_type=Fraction)
    for definition in _DEFINITIONS:
        registry.define(definition)
    return registry


def convert(number: Fraction, unit: str, to: str) -> Fraction:
    """``number`` of ``unit`` as a number of ``to``, exactly; both are units as written in `UNITS`.

    Raises
    ------
    ValueError
        If a unit is unknown or the two measure different things.
    """
    known = {written: name for units in UNITS.values() for written, name in units.items()}
    for name in (unit, to):
        if name not in known:
            raise ValueError(f"{name} is no unit known here")
    if not any(unit in units and to in units for units in UNITS.values()):
        raise ValueError(f"{unit} and {to} measure different things")
    return Fraction(_registry().Quantity(number, known[unit]).to(known[to]).magnitude)


def read_number(text: str, fraction: bool = False) -> Fraction:
    """The plain number in ``text``: ``3``, ``-0.5``; with ``fraction`` also ``1/3`` and ``2 1/3``. [unitless]

    Raises
    ------
    Miswritten
        If the text is anything else; nothing is ever worked out.
    """
    text = text.strip()
    if len(text) > LONGEST_NUMBER:
        raise Miswritten(f"Write the number with at most {LONGEST_NUMBER} characters")
    if _DECIMAL.fullmatch(text):
        return Fraction(text)
    match = _FRACTION.fullmatch(text)
    if match and fraction:
        sign, whole, over, under = match.groups()
        if int(under) == 0:
            raise Miswritten("Write a fraction with something other than zero below the line")
        value = Fraction(whole or 0) + Fraction(int(over), int(under))
        return -value if sign == "-" else value
    raise Miswritten(_number_advice(text, bool(match)))


def _number_advice(text: str, is_fraction: bool) -> str:
    if not text:
        return "Write a number first"
    if is_fraction:
        return "Write a decimal number here, not a fraction"
    if not text.isascii():
        return "Write the number with the digits 0 to 9, a full stop for the decimals and - for minus"
    if _DECIMAL_COMMA.fullmatch(text):
        return f"Write the decimals after a full stop, not a comma: {text.replace(',', '.')}"
    if "," in text:
        return "Write the number without separators between thousands, and a full stop for the decimals"
    if re.fullmatch(r"[+-]?(\.[0-9]+|[0-9]+\.)", text):
        return "Write a digit before and after the decimal point, such as 0.5"
    if re.fullmatch(r"[+-]?[0-9.]+[eE][+-]?[0-9]+", text):
        return "Write the number out in full, without an exponent"
    if re.search(r"[*^()/+_-]", text):
        return "Write the result itself: nothing is worked out here"
    return _PLAIN_NUMBER


def read_quantity(text: str, dimension: Dimension, to: str) -> Fraction:
    """The quantity in ``text``, a number and a unit, as an exact number of the unit ``to``.

    Raises
    ------
    Miswritten
        If number or unit is missing, unknown or of another dimension.
    """
    text = text.strip()
    units = UNITS[dimension]
    names = ", ".join(units)
    one = f"Write one plain number with one unit ({names}), such as {_EXAMPLES.get(to) or _EXAMPLES[dimension]}"
    if len(text) > 3 * LONGEST_NUMBER:
        raise Miswritten(one)
    several = rf"[0-9]\s*({'|'.join(map(re.escape, units))})\b.*[0-9]"
    if len(text) <= LONGEST_NUMBER and (_FEET_AND_INCHES.search(text) or re.search(several, text)):
        raise Miswritten(one)
    if re.fullmatch(r"[+-]?(nan|inf|infinity)", text, re.IGNORECASE):
        raise Miswritten(one)
    match = _WITH_UNIT.fullmatch(text)
    if match and match[1] and match[2] in units:
        return convert(_number_of(match[1], match[2], one), match[2], to)
    if match and not match[1]:
        raise Miswritten("Write a number before the unit" if match[2] in units else one)
    if not match:
        number = _number_of(text, f"{to}, if {to} is meant", one)
        raise Miswritten(f"Add the unit: {text} {to}, if {to} is meant" if number else f"Add the unit, such as {to}")
    _number_of(match[1], match[2], one)
    word = match[2].lower()
    meant = word if word in units else _WORDS.get(word.removesuffix("s"), _WORDS.get(word, ""))
    if meant in units:
        raise Miswritten(f"Write the unit as {meant}: {match[1]} {meant}")
    raise Miswritten(f"{match[2][:20]} is no unit of {dimension} known here; write one of {names}")


def _number_of(text: str, unit: str, otherwise: str) -> Fraction:
    """The number before a unit; what to write instead is said together with the unit."""
    try:
        return read_number(text)
    except Miswritten as error:
        if _DECIMAL_COMMA.fullmatch(text):
            raise Miswritten(f"{error} {unit}") from None
        raise Miswritten(otherwise if str(error) == _PLAIN_NUMBER else str(error)) from None


# Annotations for models of what a brief may hold.


def refusal(allowed: str, advice: str = "", found: str = "") -> PydanticCustomError:
    """The error that a validator raises: what is allowed, what to do, and what was found where the text is not it."""
    return PydanticCustomError("written", "{allowed}", {"allowed": allowed, "advice": advice, "found": found})


def refusals(items: Sequence[tuple[tuple[str | int, ...], PydanticCustomError]]) -> ValidationError:
    """One error of several refusals, each with the path below the value being read."""
    details = [InitErrorDetails(type=error, loc=path, input=None) for path, error in items]
    return ValidationError.from_exception_data("brief", details)


class Form(BaseModel):
    """What may be written at one place of a brief, in the user's own words; turned into a model by its ``build``."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    says: ClassVar[str] = ""
    otherwise: ClassVar[str] = "Delete it"  # advice for a key that is not known and like no other

    @classmethod
    def allowed(cls) -> str:
        """What may stand here, in words."""
        return cls.says or f"a mapping of {', '.join(cls.words())}"

    @classmethod
    def words(cls) -> list[str]:
        """The keys that may be written."""
        return [field.alias or name for name, field in cls.model_fields.items()]

    @classmethod
    def at(cls, word: str | int) -> FieldInfo | None:
        """The field that is written as ``word``."""
        return next((one for name, one in cls.model_fields.items() if (one.alias or name) == word), None)


class Written(ABC):
    """Reads one kind of text in a pydantic model: ``focal_length: Annotated[float, Quantity(...)]``."""

    allowed: str
    example: str

    @abstractmethod
    def read(self, text: str, info: ValidationInfo) -> Any:
        """The value; raises Miswritten with what to write, or a refusal."""

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        return core_schema.with_info_plain_validator_function(self._run)

    def _run(self, value: Any, info: ValidationInfo) -> Any:
        if not isinstance(value, str):
            raise refusal(self.allowed, f"Write one value, such as {self.example}")
        try:
            return self.read(value.strip(), info)
        except Miswritten as error:
            raise refusal(self.allowed, str(error)) from None


@dataclass(frozen=True)
class Bounds:
    """A range; ``above``: the low end itself is left out."""

    low: Fraction | int
    high: Fraction | int
    above: bool = False

    def hold(self, value: Fraction) -> bool:
        """Whether ``value`` is in the range."""
        return (value > self.low if self.above else value >= self.low) and value <= self.high

    def words(self, unit: str = "") -> str:
        """The range in words: ``from 2 mm to 100 mm``."""
        after = unit and f" {unit}"
        return f"{'above' if self.above else 'from'} {self.low}{after} to {self.high}{after}"


class Quantity(Written):
    """A number with a unit, as a float of the unit ``to``; the bounds are in that unit too."""

    def __init__(self, what: str, dimension: Dimension, to: str, bounds: Bounds, example: str, span: str = ""):
        self.what, self.dimension, self.to, self.bounds, self.example = what, dimension, to, bounds, example
        self.allowed = (
            f"{what} {span or bounds.words(to)}, with its unit ({', '.join(UNITS[dimension])}), such as {example}"
        )

    def read(self, text: str, info: ValidationInfo) -> float:
        value = read_quantity(text, self.dimension, self.to)
        if not self.bounds.hold(value):
            raise Miswritten(f"Write {self.what} within that range")
        return float(value)


class Number(Written):
    """A plain number, as an exact fraction; ``unit`` may follow it, but need not."""

    def __init__(self, what: str, bounds: Bounds, example: str, fraction: bool = False, units: tuple[str, ...] = ()):
        self.bounds, self.example, self.fraction, self.units = bounds, example, fraction, units
        self.allowed = f"{what} {bounds.words()}, such as {example}"

    def read(self, text: str, info: ValidationInfo) -> Fraction:
        for unit in self.units:
            if text.endswith(unit):
                text = text.removesuffix(unit)
                break
        value = read_number(text, self.fraction)
        if not self.bounds.hold(value):
            raise Miswritten("Write a number within that range")
        return value


class Whole(Written):
    """A whole number; ``odd``: an odd one. One of ``units`` may follow it, but need not."""

    def __init__(self, what: str, low: int, high: int, example: str, odd: bool = False, units: tuple[str, ...] = ()):
        self.low, self.high, self.example, self.odd, self.units = low, high, example, odd, units
        self.allowed = f"{what} from {low} to {high}, such as {example}"

    def read(self, text: str, info: ValidationInfo) -> int:
        for unit in self.units:
            if text.endswith(unit):
                text = text.removesuffix(unit)
                break
        value = read_number(text)
        if value.denominator != 1 or (self.odd and value % 2 == 0):
            raise Miswritten(f"Write {'an odd' if self.odd else 'a'} whole number")
        if not self.low <= value <= self.high:
            raise Miswritten("Write a number within that range")
        return int(value)


class Word(Written):
    """One of a few words."""

    def __init__(self, *words: str):
        self.words, self.example = words, words[0]
        self.allowed = f"one of {', '.join(words)}" if len(words) > 1 else words[0]

    def read(self, text: str, info: ValidationInfo) -> str:
        if text not in self.words:
            raise Miswritten(did_you_mean(text if text.isalpha() else "", self.words, f"Write {self.allowed}"))
        return text


class Text(Written):
    """Free text on one line."""

    def __init__(self, what: str, longest: int, example: str, pattern: str = r".+", made_of: str = ""):
        self.longest, self.example, self.pattern = longest, example, re.compile(pattern)
        self.allowed = f"{what} of 1 to {longest} characters on one line{made_of and f', made of {made_of}'}"

    def read(self, text: str, info: ValidationInfo) -> str:
        if not text:
            raise Miswritten(f"Write something, such as {self.example}")
        if len(text) > self.longest:
            raise Miswritten(f"Shorten it: it has {len(text)} characters")
        if "\n" in text or "\r" in text:
            raise Miswritten("Write it on one line")
        if not self.pattern.fullmatch(text):
            raise Miswritten(f"Write it like {self.example}")
        return text


def nearest(found: str, known: Sequence[str]) -> str:
    """The known word closest to ``found``; empty when none is close."""
    from difflib import get_close_matches

    close = get_close_matches(found[:80].lower(), [word.lower() for word in known], n=1, cutoff=0.6)
    return next((word for word in known if close and word.lower() == close[0]), "")


def did_you_mean(found: str, known: Sequence[str], otherwise: str) -> str:
    """Advice that names the known word closest to ``found``; ``otherwise`` when none is close."""
    word = nearest(found, known)
    return f"Did you mean {word}?" if word else otherwise
