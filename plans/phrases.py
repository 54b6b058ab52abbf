"""More kinds of text that a brief may hold: phrases of several words, yes and no, times of the day."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from pydantic import ValidationInfo

from plans.units import Form, Miswritten, Written, did_you_mean

_CLOCK = re.compile(r"([0-9]{1,2})[:.h]?([0-9]{2})\s*(am|pm)?", re.IGNORECASE)


class Phrase(Written):
    """One of a few phrases, each of one word or more."""

    def __init__(self, *phrases: str):
        self.phrases, self.example = phrases, phrases[0]
        self.allowed = f"one of {', '.join(phrases)}"

    def read(self, text: str, info: ValidationInfo) -> str:
        if text in self.phrases:
            return text
        plain = re.sub(r"[\s_-]+", " ", text)
        raise Miswritten(did_you_mean(plain if plain.replace(" ", "").isalnum() else "", self.phrases, self._advice()))

    def _advice(self) -> str:
        return f"Write {self.allowed}"


class YesNo(Written):
    """``yes`` or ``no``, as a truth value."""

    allowed, example = "yes or no", "yes"
    _MEANT: Mapping[str, str] = {"true": "yes", "on": "yes", "y": "yes", "false": "no", "off": "no", "n": "no"}

    def read(self, text: str, info: ValidationInfo) -> bool:
        if text not in ("yes", "no"):
            word = text.lower()
            raise Miswritten(f"Write {self._MEANT.get(word, word if word in ('yes', 'no') else self.allowed)}")
        return text == "yes"


class ClockTime(Written):
    """A local time of the day, ``16:40``, kept as text."""

    allowed, example = "a local time of the day from 00:00 to 23:59, such as 16:40", "16:40"

    def read(self, text: str, info: ValidationInfo) -> str:
        if re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", text):
            return text
        raise Miswritten(self._advice(text))

    def _advice(self, text: str) -> str:
        found = _CLOCK.fullmatch(text) if text.isascii() else None
        hour, minute = (int(found[1]), int(found[2])) if found else (99, 99)
        if found and found[3] and 1 <= hour <= 12:
            hour = hour % 12 + 12 * (found[3].lower() == "pm")
        if hour < 24 and minute < 60:
            return f"Write {hour:02d}:{minute:02d}"
        return "Write hours and minutes with a colon, 24 hours to the day"


def minutes(clock: str) -> int:
    """A time of the day as minutes after midnight. [min]"""
    hour, minute = clock.split(":")
    return 60 * int(hour) + int(minute)


class OrForm(Written):
    """A text of some kind, or a mapping that `form` reads and builds; ``read`` stays with the subclass."""

    form: type[Form]

    def _run(self, value: Any, info: ValidationInfo) -> Any:
        if isinstance(value, dict):
            return self.built(self.form.model_validate(value, context=info.context))
        return super()._run(value, info)

    def built(self, form: Any) -> Any:
        """The value of a mapping that was read."""
        return form.build()
