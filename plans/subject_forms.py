"""What the forms of goals share: names of subjects, held settings, marks of a known scale, short forms."""

from __future__ import annotations

import re
from typing import Annotated, Any, ClassVar, get_args

from pydantic import Field, ValidationInfo, field_validator, model_validator

from plans.brief import Held
from plans.kit import Known
from plans.scale_forms import off_scale
from plans.stops import Kind
from plans.units import Form, Word, Written, did_you_mean, refusal, refusals

_OWNERS: dict[Kind, str] = {
    "aperture": "this lens's aperture scale",
    "time": "this body's time scale",
    "iso": "this body's iso scale",
}


def known_of(info: ValidationInfo) -> Known:
    """What is known of the brief so far; nothing, where a form is read by itself."""
    return info.context if isinstance(info.context, Known) else Known()


def off_known_scale(kind: Kind, text: str, info: ValidationInfo) -> Exception | None:
    """The refusal of a mark that is not on the scale in force; None if it is, or if no scale is known."""
    scale = known_of(info).scales.get(kind)
    return off_scale(scale, text, _OWNERS[kind]) if scale else None


class SubjectName(Written):
    """The name of a subject of the scene."""

    allowed, example = "the name of a subject of the scene", "heron"

    def read(self, text: str, info: ValidationInfo) -> str:
        known = known_of(info).subjects
        if known is not None and text not in known:
            raise refusal(
                f"a subject of the scene: {', '.join(known[:12])}{', ...' if len(known) > 12 else ''}",
                did_you_mean(text, known, "Name one of them, or add the subject to the scene"),
            )
        return text


def as_list(value: Any) -> Any:
    """A single word as a list of it."""
    return [value] if isinstance(value, str) else value


def distinct(words: list[Any], allowed: str = "each word once") -> list[Any]:
    """The same list; a refusal for each entry that was there already."""
    again = [index for index, word in enumerate(words) if word in words[:index]]
    if again:
        raise refusals([((index,), refusal(allowed, "Delete it")) for index in again])
    return words


class HeldForm(Form):
    """``hold``: a word or a list of words."""

    hold: list[Annotated[Held, Word(*get_args(Held))]] = Field(
        [], max_length=5, description=f"a word or a list of words out of {', '.join(get_args(Held))}"
    )

    @field_validator("hold", mode="before")
    @classmethod
    def _as_list(cls, value: Any) -> Any:
        if not isinstance(value, str):
            return value
        words = re.split(r"\s*[,;+&]\s*|\s+and\s+|\s+", value)
        if len(words) > 1 and set(words) <= set(get_args(Held)):
            allowed = f"a word or a list of words out of {', '.join(get_args(Held))}"
            raise refusal(allowed, f"Write several words as a list: [{', '.join(dict.fromkeys(words))}]")
        return [value]

    @field_validator("hold")
    @classmethod
    def _distinct(cls, hold: list[Held]) -> list[Held]:
        return distinct(hold)


class OneSubjectForm(Form):
    """A goal about one subject: ``freeze: spout`` or ``freeze: {subject: spout}``."""

    says: ClassVar[str] = "the name of a subject, or a mapping with subject"

    subject: Annotated[str, SubjectName()]

    @model_validator(mode="before")
    @classmethod
    def _short(cls, value: Any) -> Any:
        return {"subject": value} if isinstance(value, str) else value


class OneFocusForm(Form):
    """A goal focused on one subject: ``polariser: heron`` or ``polariser: {focus: heron}``."""

    says: ClassVar[str] = "the name of a subject, or a mapping with focus"

    focus: Annotated[str, SubjectName()]

    @model_validator(mode="before")
    @classmethod
    def _short(cls, value: Any) -> Any:
        return {"focus": value} if isinstance(value, str) else value


class SpanForm(Form):
    """A goal about everything between two subjects, the nearer one first."""

    first: Annotated[str, SubjectName()] = Field(alias="from")
    last: Annotated[str, SubjectName()] = Field(alias="to")

    @field_validator("last")
    @classmethod
    def _farther(cls, last: str, info: ValidationInfo) -> str:
        distances = known_of(info).distances_m
        first = info.data.get("first")
        if first in distances and last in distances and distances[last] <= distances[first]:
            raise refusal(
                f"a subject farther away than {first} at {distances[first]:g} m",
                f"{last} is at {distances[last]:g} m: write the nearer subject after from, the farther after to",
            )
        return last
