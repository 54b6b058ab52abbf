"""Texts that only the scene has: where the camera faces, which way a thing moves, lamps, intent."""

from __future__ import annotations

import re
from fractions import Fraction

from pydantic import ValidationInfo

from plans.units import Bounds, Miswritten, Number, Written, did_you_mean, read_number, read_quantity

_COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
_LETTERS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
COMPASS: dict[str, float] = {
    **{word: 45.0 * n for n, word in enumerate(_COMPASS)},
    **{word: 45.0 * n for n, word in enumerate(_LETTERS)},
}
# Between the path of a thing and the view. [degrees]
DIRECTIONS: dict[str, float] = {"across": 90.0, "diagonal": 45.0, "towards": 0.0}
# How much brighter than metered pictures are meant to be; white water against mid grey, placed by metering its lightest
# part. Common practice, no source. [stops]
INTENTS: dict[str, Fraction] = {"snow": Fraction(5, 3), "night": Fraction(-1), "white water": Fraction(7, 3)}
MAINS_HZ = (50, 60)


def _degrees(text: str, bounds: Bounds, otherwise: str) -> float:
    """An angle with its unit. [degrees]"""
    if re.fullmatch(r"[+-]?[0-9]+(\.[0-9]+)?", text):
        raise Miswritten(f"Add the unit: {text} deg")
    text = re.sub(r"\s*\N{DEGREE SIGN}$", " deg", text)
    if not text or text[0].isalpha() or not text.isascii():
        raise Miswritten(otherwise)
    value = read_quantity(text, "angle", "deg")
    if not bounds.hold(value):
        raise Miswritten(f"Write an angle {bounds.words('deg')}")
    return float(value)


class Facing(Written):
    """Where the camera looks, clockwise from north. [degrees]"""

    allowed = f"a direction such as 135 deg, from 0 deg (north) to 360 deg, or one of {', '.join(COMPASS)}"
    example = "135 deg"

    def read(self, text: str, info: ValidationInfo) -> float:
        if text in COMPASS:
            return COMPASS[text]
        plain = re.sub(r"[\s-]", "", text).lower()
        meant = next((word for word in COMPASS if word.replace("-", "").lower() == plain), "")
        otherwise = f"Write {meant}" if meant else did_you_mean(text, _COMPASS, "Write it like 135 deg or south-east")
        return _degrees(text, Bounds(0, 360), otherwise) % 360


class MovingDirection(Written):
    """The angle between a path and the view. [degrees]"""

    allowed = f"one of {', '.join(DIRECTIONS)}, or an angle from 0 deg (towards the camera) to 90 deg (across)"
    example = "across"

    def read(self, text: str, info: ValidationInfo) -> float:
        if text in DIRECTIONS:
            return DIRECTIONS[text]
        return _degrees(text, Bounds(0, 90), did_you_mean(text, tuple(DIRECTIONS), "Write it like 30 deg or across"))


class Mains(Written):
    """The frequency of the mains that lamps hang on. [Hz]"""

    allowed, example = "50 Hz or 60 Hz", "50 Hz"

    def read(self, text: str, info: ValidationInfo) -> int:
        found = re.fullmatch(r"([0-9]{1,4})\s*Hz", text)
        if found and int(found[1]) in MAINS_HZ:
            return int(found[1])
        number = re.match(r"[0-9]+", text)
        close = number and number[0] in ("50", "60", "100", "120")
        if number and close:
            hz = int(number[0]) // (2 if int(number[0]) >= 100 else 1)
            raise Miswritten(
                f"Write {hz} Hz" + (": the mains' own, the lamps flicker at twice that" * (hz != int(number[0])))
            )
        raise Miswritten("Write the frequency of the mains, 50 Hz in most of the world, 60 Hz in parts of it")


class Intent(Written):
    """How much brighter than metered the pictures are meant to be. [stops]"""

    _number = Number("stops", Bounds(-5, 5), "2 1/3", fraction=True, units=("stops", "stop"))
    allowed = f"stops from -5 to 5, such as 2 1/3, or one of {', '.join(INTENTS)}"
    example = "white water"

    def read(self, text: str, info: ValidationInfo) -> Fraction:
        if text in INTENTS:
            return INTENTS[text]
        if text[:1].isalpha():
            raise Miswritten(did_you_mean(re.sub(r"[\s_-]+", " ", text), tuple(INTENTS), f"Write {self.allowed}"))
        read_number(re.sub(r"\s*stops?$", "", text), fraction=True)
        return self._number.read(text, info)
