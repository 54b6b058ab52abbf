"""What may be written for each goal of a brief."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Any, ClassVar, get_args

from pydantic import Field, ValidationInfo, field_validator, model_validator

from plans.brief import Bracket, Deep, Freeze, Held, Isolate, Ladder, Silk
from plans.kit import Known
from plans.scale_forms import MarkText, off_scale, read_mark
from plans.stops import KINDS, Kind
from plans.units import Bounds, Form, Number, Quantity, Whole, Word, Written, did_you_mean, refusal, refusals

_OWNERS: dict[Kind, str] = {
    "aperture": "this lens's aperture scale",
    "time": "this body's time scale",
    "iso": "this body's iso scale",
}


def _known(info: ValidationInfo) -> Known:
    return info.context if isinstance(info.context, Known) else Known()


def off_known_scale(kind: Kind, text: str, info: ValidationInfo) -> Exception | None:
    scale = _known(info).scales.get(kind)
    return off_scale(scale, text, _OWNERS[kind]) if scale else None


class SubjectName(Written):
    """The name of a subject of the scene."""

    allowed, example = "the name of a subject of the scene", "heron"

    def read(self, text: str, info: ValidationInfo) -> str:
        known = _known(info).subjects
        if known is not None and text not in known:
            raise refusal(
                f"a subject of the scene: {', '.join(known[:12])}{', ...' if len(known) > 12 else ''}",
                did_you_mean(text, known, "Name one of them, or add the subject to the scene"),
            )
        return text


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
        again = [index for index, word in enumerate(hold) if word in hold[:index]]
        if again:
            raise refusals([((index,), refusal("each word once", "Delete it")) for index in again])
        return hold


class OneSubjectForm(Form):
    """A goal about one subject: ``freeze: spout`` or ``freeze: {subject: spout}``."""

    says: ClassVar[str] = "the name of a subject, or a mapping with subject"

    subject: Annotated[str, SubjectName()]

    @model_validator(mode="before")
    @classmethod
    def _short(cls, value: Any) -> Any:
        return {"subject": value} if isinstance(value, str) else value


class FreezeForm(OneSubjectForm):
    def build(self) -> Freeze:
        return Freeze(subject=self.subject)


class SilkForm(OneSubjectForm):
    length: Annotated[
        float | None, Quantity("the visible length of the water", "length", "m", Bounds(0, 1000, above=True), "1.2 m")
    ] = None

    def build(self) -> Silk:
        return Silk(subject=self.subject, length_m=self.length)


class IsolateForm(OneSubjectForm):
    def build(self) -> Isolate:
        return Isolate(subject=self.subject)


class DeepForm(Form):
    first: Annotated[str, SubjectName()] = Field(alias="from")
    last: Annotated[str, SubjectName()] = Field(alias="to")

    @field_validator("last")
    @classmethod
    def _farther(cls, last: str, info: ValidationInfo) -> str:
        distances = _known(info).distances_m
        first = info.data.get("first")
        if first in distances and last in distances and distances[last] <= distances[first]:
            raise refusal(
                f"a subject farther away than {first} at {distances[first]:g} m",
                f"{last} is at {distances[last]:g} m: write the nearer subject after from, the farther after to",
            )
        return last

    def build(self) -> Deep:
        return Deep(from_subject=self.first, to_subject=self.last)


_BY = Number("stops (1/3 is a third)", Bounds(0, 10, above=True), "1", fraction=True, units=("stops", "stop"))


class ChangeForm(Form):
    """What ladders and brackets share: one setting changed by steps, the focus on one subject."""

    change: Annotated[Kind, Word(*KINDS)]
    by: Annotated[Fraction, _BY]
    focus: Annotated[str, SubjectName()]

    @model_validator(mode="before")
    @classmethod
    def _only_subject(cls, value: Any, info: ValidationInfo) -> Any:
        known = _known(info).subjects
        if isinstance(value, dict) and "focus" not in value and known is not None and len(known) == 1:
            return {**value, "focus": known[0]}
        return value

    @field_validator("by")
    @classmethod
    def _on_step(cls, by: Fraction, info: ValidationInfo) -> Fraction:
        kind = info.data.get("change")
        scale = _known(info).scales.get(kind) if kind else None
        if scale and scale.series != "unknown" and (by / scale.step).denominator != 1:
            raise refusal(
                f"whole multiples of {scale.step} stop, the step of the {kind} scale",
                f"Write {round(by / scale.step) * scale.step or scale.step}, or give the scale a finer step",
            )
        return by


class LadderForm(HeldForm, ChangeForm):
    balance: Annotated[Kind, Word(*KINDS)]
    first: str | None = Field(None, alias="from")
    last: str | None = Field(None, alias="to")

    @field_validator("balance")
    @classmethod
    def _another(cls, balance: Kind, info: ValidationInfo) -> Kind:
        if balance == info.data.get("change"):
            others = [kind for kind in KINDS if kind != balance]
            raise refusal(
                f"a setting other than the one changed: {' or '.join(others)}", "Balance with another setting"
            )
        if balance in info.data.get("hold", []):
            raise refusal("a setting that is not held", "Take it out of hold, or balance with another setting")
        return balance

    @field_validator("hold")
    @classmethod
    def _not_changed(cls, hold: list[Held], info: ValidationInfo) -> list[Held]:
        if info.data.get("change") in hold:
            raise refusal("settings that are not changed", "Take the changed setting out of hold")
        return hold

    @field_validator("first", "last", mode="wrap")
    @classmethod
    def _on_scale(cls, value: Any, handler: Any, info: ValidationInfo) -> str | None:
        kind = info.data.get("change")
        if kind is None:
            return None
        text: str = MarkText(kind)._run(value, info)
        if error := off_known_scale(kind, text, info):
            raise error
        first = info.data.get("first")
        if info.field_name == "last" and first and read_mark(kind, first) == read_mark(kind, text):
            raise refusal("an end other than the start", "A ladder needs two rungs at least")
        return text

    def build(self) -> Ladder:
        return Ladder(
            change=self.change,
            by=self.by,
            balance=self.balance,
            hold=tuple(self.hold),
            focus=self.focus,
            first=self.first,
            last=self.last,
        )


class BracketForm(ChangeForm):
    count: Annotated[int, Whole("an odd number", 3, 15, "5", odd=True)]

    def build(self) -> Bracket:
        return Bracket(change=self.change, by=self.by, count=self.count, focus=self.focus)


class CompareForm(HeldForm):
    """A list of single goals, each read by itself, and what is held in all of them."""

    compare: list[Any] = Field(min_length=2, max_length=10, description="a list of 2 to 10 single goals")


SINGLE_FORMS: dict[str, type[FreezeForm | SilkForm | IsolateForm | DeepForm]] = {
    "freeze": FreezeForm,
    "silk": SilkForm,
    "isolate": IsolateForm,
    "deep": DeepForm,
}
GOAL_FORMS: dict[str, type[FreezeForm | SilkForm | IsolateForm | DeepForm | LadderForm | BracketForm]] = {
    **SINGLE_FORMS,
    "ladder": LadderForm,
    "bracket": BracketForm,
}
