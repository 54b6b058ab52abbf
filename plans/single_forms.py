"""What may be written for the goals of one picture: freeze, silk, isolate, deep."""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from pydantic import Field, ValidationInfo, field_validator

from plans.brief import Deep, Freeze, Isolate, IsolateGrade, Silk, SilkGrade
from plans.subject_forms import OneSubjectForm, SpanForm, as_list
from plans.units import Bounds, Miswritten, Quantity, Word, Written, read_number, read_quantity, refusal, refusals

_MM, _PX = Bounds(0, 10, above=True), Bounds(0, 1000, above=True)


class SmearText(Written):
    """How far something may smear: a length on the sensor, or pixels."""

    allowed = "a length on the sensor above 0 mm to 10 mm, or pixels above 0 px to 1000 px, such as 0.02 mm or 2 px"
    example = "0.02 mm"

    def read(self, text: str, info: ValidationInfo) -> tuple[float, Literal["mm", "px"]]:
        unit: Literal["mm", "px"] = "px" if text.endswith("px") else "mm"
        if unit == "px":
            value, bounds = read_number(text.removesuffix("px")), _PX
        else:
            value, bounds = read_quantity(text, "length", "mm"), _MM
        if not bounds.hold(value):
            raise Miswritten("Write a length or a number of pixels within that range")
        return float(value), unit


class FreezeForm(OneSubjectForm):
    within: Annotated[tuple[float, Literal["mm", "px"]] | None, SmearText()] = None

    def build(self) -> Freeze:
        most, unit = self.within or (None, "mm")
        return Freeze(
            subject=self.subject, smear_mm=most if unit == "mm" else None, smear_px=most if unit == "px" else None
        )


_SPAN = 2  # a single share stands for a smear of that much to twice that much, one stop of exposure time
_SHARE = Quantity("a share of the frame", "share", "%", Bounds(0, 100_000, above=True), "50 %")


class SilkForm(OneSubjectForm):
    length: Annotated[
        float | None, Quantity("the visible length of the water", "length", "m", Bounds(0, 1000, above=True), "1.2 m")
    ] = None
    grade: Annotated[SilkGrade | None, Word(*get_args(SilkGrade))] = None
    share: list[Annotated[float, _SHARE]] | None = Field(
        None,
        min_length=1,
        max_length=2,
        description="a share, or a list of least and most, such as [20 %, 80 %]",
    )

    @field_validator("share", mode="before")
    @classmethod
    def _as_list(cls, value: Any) -> Any:
        return as_list(value)

    @field_validator("share")
    @classmethod
    def _either(cls, share: list[float], info: ValidationInfo) -> list[float]:
        if info.data.get("grade"):
            raise refusal("either grade or share", "Delete one of the two: a grade is a share with a name")
        if len(share) > 1 and share[1] <= share[0]:
            raise refusals([((1,), refusal(f"a share above {share[0]:g} %", "Write the least share first"))])
        return share

    def build(self) -> Silk:
        share = None
        if self.share:
            share = self.share[0] / 100, (self.share[1] if len(self.share) > 1 else _SPAN * self.share[0]) / 100
        return Silk(subject=self.subject, length_m=self.length, grade=self.grade or "silk", share=share)


class IsolateForm(OneSubjectForm):
    grade: Annotated[IsolateGrade | None, Word(*get_args(IsolateGrade))] = None
    share: Annotated[
        float | None, Quantity("a share of the frame's width", "share", "%", Bounds(0, 100, above=True), "3 %")
    ] = None

    @field_validator("share")
    @classmethod
    def _either(cls, share: float, info: ValidationInfo) -> float:
        if info.data.get("grade"):
            raise refusal("either grade or share", "Delete one of the two: a grade is a share with a name")
        return share

    def build(self) -> Isolate:
        share = None if self.share is None else self.share / 100
        return Isolate(subject=self.subject, grade=self.grade or "soft", share=share)


class DeepForm(SpanForm):
    lesson: Annotated[Literal["yes", "no"], Word("yes", "no")] = "no"

    def build(self) -> Deep:
        return Deep(from_subject=self.first, to_subject=self.last, lesson=self.lesson == "yes")
