"""What may be written for the goals of several pictures that are no series: from focus brackets to comparisons."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Any, get_args

from pydantic import Field, ValidationInfo, field_validator

from plans.brief import Faults, FocusBracket, Mistake, Perspective, PolariserPair
from plans.scale_forms import MarkText
from plans.subject_forms import (
    HeldForm,
    OneFocusForm,
    OneSubjectForm,
    SpanForm,
    SubjectName,
    as_list,
    distinct,
    off_known_scale,
)
from plans.units import Bounds, Form, Number, Quantity, Word, refusal

MISTAKES: tuple[Mistake, ...] = get_args(Mistake)


class FocusBracketForm(SpanForm):
    overlap: Annotated[
        float, Quantity("a share of each sharp range", "share", "%", Bounds(0, 90), "10 %", "from 0 % to 90 %")
    ] = 10.0
    aperture: Annotated[str | None, MarkText("aperture")] = None

    @field_validator("aperture")
    @classmethod
    def _on_scale(cls, text: str, info: ValidationInfo) -> str:
        if error := off_known_scale("aperture", text, info):
            raise error
        return text

    def build(self) -> FocusBracket:
        return FocusBracket(
            from_subject=self.first, to_subject=self.last, overlap=self.overlap / 100, aperture=self.aperture
        )


_STOPS = Number("stops", Bounds(0, 10, above=True), "2", fraction=True, units=("stops", "stop"))
_TIMES = Number("times the hand-held limit", Bounds(1, 1000), "4", units=("times",))
_CIRCLES = Number("circles of confusion", Bounds(1, 1000, above=True), "5")


class FaultsForm(OneSubjectForm):
    """``faults: heron`` shows every mistake; ``show`` names some, and each may have its amount beside it."""

    show: list[Annotated[Mistake, Word(*MISTAKES)]] = Field(
        list(MISTAKES), min_length=1, max_length=5, description=f"a list of words out of {', '.join(MISTAKES)}"
    )
    under: Annotated[Fraction | None, _STOPS] = None
    over: Annotated[Fraction | None, _STOPS] = None
    shaken: Annotated[Fraction | None, _TIMES] = None
    misfocused: Annotated[Fraction | None, _CIRCLES] = None
    motion: Annotated[Fraction | None, _CIRCLES] = None

    @field_validator("show", mode="before")
    @classmethod
    def _as_list(cls, value: Any) -> Any:
        return as_list(value)

    @field_validator("show")
    @classmethod
    def _distinct(cls, show: list[Mistake]) -> list[Mistake]:
        return distinct(show)

    @field_validator(*MISTAKES)
    @classmethod
    def _shown(cls, amount: Fraction, info: ValidationInfo) -> Fraction:
        show = info.data.get("show")
        if show is not None and info.field_name not in show:
            raise refusal("the amount of a mistake that is shown", f"Add {info.field_name} to show, or delete this")
        return amount

    def build(self) -> Faults:
        amounts = {word: getattr(self, word) for word in MISTAKES}
        by = {word: float(amount) for word, amount in amounts.items() if amount is not None}
        return Faults(subject=self.subject, show=tuple(self.show), by=by)


_FOCAL = Quantity("a focal length", "length", "mm", Bounds(1, 2000), "50 mm")


class PerspectiveForm(Form):
    subject: Annotated[str, SubjectName()]
    focal_lengths: list[Annotated[float, _FOCAL]] = Field(
        min_length=2, max_length=6, description="a list of 2 to 6 focal lengths, such as [24 mm, 50 mm]"
    )

    @field_validator("focal_lengths")
    @classmethod
    def _distinct(cls, focal_lengths: list[float]) -> list[float]:
        return distinct(focal_lengths, "each focal length once")

    def build(self) -> Perspective:
        return Perspective(subject=self.subject, focal_lengths_mm=tuple(self.focal_lengths))


class PolariserForm(OneFocusForm):
    def build(self) -> PolariserPair:
        return PolariserPair(focus=self.focus)


class CompareForm(HeldForm):
    """A list of single goals, each read by itself, and what is held in all of them."""

    compare: list[Any] = Field(min_length=2, max_length=10, description="a list of 2 to 10 single goals")
