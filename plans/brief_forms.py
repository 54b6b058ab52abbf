"""What may be written at the top of a brief: title, place, limits."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Any, Literal, get_args

from pydantic import Field, ValidationInfo, field_validator

from plans.brief import Limits, Place, ShownOn
from plans.goal_forms import off_known_scale
from plans.light_forms import known_of
from plans.phrases import Phrase
from plans.scale_forms import MarkText
from plans.units import Bounds, Form, Number, Text, Word, refusal


class TitleForm(Form):
    """The top of a brief; the parts below it are read one after the other, each with a form of its own."""

    version: Annotated[str, Word("1")] = Field(alias="stopwright")
    title: Annotated[str, Text("a title", 200, "Fountain, evening class")]
    place: Any = None
    when: Any = None
    shown_on: Annotated[ShownOn | None, Phrase(*get_args(ShownOn))] = None
    kit: Any = Field(description="a mapping of body, lens, filters, support and corrections, or the name of a kit file")
    scene: Any = Field(description="a mapping of light, subjects and what else matters there")
    goals: list[Any] = Field(min_length=1, max_length=100, description="a list of 1 to 100 goals")
    limits: Any = None


class PlaceForm(Form):
    latitude: Annotated[Fraction, Number("degrees north of the equator", Bounds(-90, 90), "52.0", units=("deg",))]
    longitude: Annotated[Fraction, Number("degrees east of Greenwich", Bounds(-180, 180), "-1.5", units=("deg",))]
    timezone: Annotated[
        str, Text("the name of a time zone", 60, "Europe/London", r"[A-Za-z0-9_+-]+(/[A-Za-z0-9_+-]+)*")
    ]

    def build(self) -> Place:
        return Place(latitude=float(self.latitude), longitude=float(self.longitude), timezone=self.timezone)


class LimitsForm(Form):
    iso_at_most: Annotated[str | None, MarkText("iso")] = None
    spread: Annotated[
        Fraction,
        Number("stops", Bounds(0, Fraction(1, 2), above=True), "1/6", fraction=True, units=("stops", "stop")),
    ] = Fraction(1, 6)
    flicker: Annotated[Literal["name", "avoid"], Word("name", "avoid")] = "name"

    @field_validator("flicker")
    @classmethod
    def _under_lamps(cls, word: str, info: ValidationInfo) -> str:
        known = known_of(info)
        if known.subjects is not None and "scene" not in known.unsure and known.mains_hz is None:
            raise refusal("flicker in a scene with mains", "Add `mains: 50 Hz` to the scene, or delete flicker")
        return word

    @field_validator("iso_at_most")
    @classmethod
    def _on_scale(cls, text: str | None, info: ValidationInfo) -> str | None:
        if text is not None and (error := off_known_scale("iso", text, info)):
            raise error
        return text

    def build(self) -> Limits:
        return Limits(iso_at_most=self.iso_at_most, spread=self.spread, flicker=self.flicker)
