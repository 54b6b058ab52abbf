"""What may be written for the goals that change one setting step by step: ladder, noise, bracket."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from plans.brief import Bracket, Held, Ladder, Noise
from plans.scale_forms import MarkText, read_mark
from plans.stops import KINDS, Kind
from plans.subject_forms import HeldForm, OneFocusForm, SubjectName, as_list, distinct, known_of, off_known_scale
from plans.units import Bounds, Form, Number, Whole, Word, refusal, refusals

_BY = Number("stops (1/3 is a third)", Bounds(0, 10, above=True), "1", fraction=True, units=("stops", "stop"))


def on_step(kind: Kind | None, by: Fraction, info: ValidationInfo) -> Fraction:
    """A step that the scale in force can make; a refusal for any other."""
    scale = known_of(info).scales.get(kind) if kind else None
    if scale and scale.series != "unknown" and (by / scale.step).denominator != 1:
        raise refusal(
            f"whole multiples of {scale.step} stop, the step of the {kind} scale",
            f"Write {round(by / scale.step) * scale.step or scale.step}, or give the scale a finer step",
        )
    return by


def end_of_run(kind: Kind, value: Any, info: ValidationInfo) -> str:
    """``from`` or ``to`` of a run: a mark on the scale in force, the end another one than the start."""
    text: str = MarkText(kind)._run(value, info)
    if error := off_known_scale(kind, text, info):
        raise error
    first = info.data.get("first")
    if info.field_name == "last" and first and read_mark(kind, first) == read_mark(kind, text):
        raise refusal("an end other than the start", "A ladder needs two rungs at least")
    return text


class ChangeForm(Form):
    """What ladders and brackets share: one setting changed by steps, the focus on one subject."""

    change: Annotated[Kind, Word(*KINDS)]
    by: Annotated[Fraction, _BY]
    focus: Annotated[str, SubjectName()]

    @model_validator(mode="before")
    @classmethod
    def _only_subject(cls, value: Any, info: ValidationInfo) -> Any:
        known = known_of(info).subjects
        if isinstance(value, dict) and "focus" not in value and known is not None and len(known) == 1:
            return {**value, "focus": known[0]}
        return value

    @field_validator("by")
    @classmethod
    def _on_step(cls, by: Fraction, info: ValidationInfo) -> Fraction:
        return on_step(info.data.get("change"), by, info)


class LadderForm(HeldForm, ChangeForm):
    balance: list[Annotated[Kind, Word(*KINDS)]] = Field(
        min_length=1, max_length=2, description="a setting, or a list of two: the second takes over from the first"
    )
    first: str | None = Field(None, alias="from")
    last: str | None = Field(None, alias="to")

    @field_validator("balance", mode="before")
    @classmethod
    def _one_or_two(cls, value: Any) -> Any:
        return as_list(value)

    @field_validator("balance")
    @classmethod
    def _another(cls, balance: list[Kind], info: ValidationInfo) -> list[Kind]:
        wrong = []
        for index, kind in enumerate(distinct(balance)):
            if kind == info.data.get("change"):
                others = [kind for kind in KINDS if kind != info.data["change"]]
                allowed = f"a setting other than the one changed: {' or '.join(others)}"
                wrong.append(((index,), refusal(allowed, "Balance with another setting")))
            elif kind in info.data.get("hold", []):
                advice = "Take it out of hold, or balance with another setting"
                wrong.append(((index,), refusal("a setting that is not held", advice)))
        if wrong:
            raise refusals(wrong)
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
        return None if kind is None else end_of_run(kind, value, info)

    def build(self) -> Ladder:
        return Ladder(
            change=self.change,
            by=self.by,
            balance=self.balance[0],
            then=self.balance[1] if len(self.balance) > 1 else None,
            hold=tuple(self.hold),
            focus=self.focus,
            first=self.first,
            last=self.last,
        )


class NoiseForm(OneFocusForm):
    """``noise: heron`` or ``noise: {focus: heron, by: 1, from: 100, to: 6400}``."""

    by: Annotated[Fraction, _BY] = Fraction(1)
    first: str | None = Field(None, alias="from")
    last: str | None = Field(None, alias="to")

    @field_validator("by")
    @classmethod
    def _on_step(cls, by: Fraction, info: ValidationInfo) -> Fraction:
        return on_step("iso", by, info)

    @field_validator("first", "last", mode="wrap")
    @classmethod
    def _on_scale(cls, value: Any, handler: Any, info: ValidationInfo) -> str:
        return end_of_run("iso", value, info)

    def build(self) -> Noise:
        return Noise(focus=self.focus, by=self.by, first=self.first, last=self.last)


class BracketForm(ChangeForm):
    """``change: exposure`` is the exposure time by the name that brackets commonly have."""

    change: Annotated[Kind | Literal["exposure"], Word(*KINDS, "exposure")]  # type: ignore[assignment]
    count: Annotated[int, Whole("an odd number", 3, 15, "5", odd=True)]

    @field_validator("change")
    @classmethod
    def _exposure(cls, change: str) -> str:
        return "time" if change == "exposure" else change

    def build(self) -> Bracket:
        return Bracket(change=self.change, by=self.by, count=self.count, focus=self.focus)
