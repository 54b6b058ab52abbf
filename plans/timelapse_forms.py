"""What may be written for a time-lapse, and for times by the sun and the clock."""

from __future__ import annotations

import re
from typing import Annotated, Any, ClassVar, Literal, get_args

from pydantic import Field, ValidationInfo, field_validator, model_validator

from plans.brief import IntervalChange, Moment, Record, SkyEvent, Timelapse, WhiteBalance
from plans.phrases import Phrase, YesNo
from plans.scale_forms import MarkText
from plans.subject_forms import OneFocusForm, SubjectName, as_list, distinct, known_of, off_known_scale
from plans.units import (
    Bounds,
    Form,
    Miswritten,
    Number,
    Quantity,
    Text,
    Whole,
    Written,
    did_you_mean,
    read_quantity,
    refusal,
)

MOST_FRAMES = 20_000
MOST_S = 48 * 3600.0
_INTERVAL = Quantity("an interval", "time", "s", Bounds(1, 3600), "20 s")
_EVENT = re.compile(r"([a-z ]+?)(?:\s*([+-])\s*([0-9].*))?")
_CLOCK = re.compile(r"(?:([0-9]{4}-[0-9]{2}-[0-9]{2}) )?((?:[01][0-9]|2[0-3]):[0-5][0-9])")


class MomentText(Written):
    """``sunset - 40 min``, ``17:40`` or ``2026-10-20 17:40``; any of them needs the brief's place and time."""

    example = "sunset + 40 min"
    allowed = (
        "a time by the sky, such as sunset - 40 min or civil twilight ends, or a local time, such as 17:40 or "
        "2026-10-20 17:40"
    )

    def read(self, text: str, info: ValidationInfo) -> Moment:
        known = known_of(info)
        for word, found in (("place", known.place), ("when", known.when)):
            if found is None and known.subjects is not None and word not in known.unsure:
                raise refusal(
                    f"a time, in a brief that has {word}", f"Add `{word}:` to the brief, or leave the time-lapse's out"
                )
        if clock := _CLOCK.fullmatch(text):
            return Moment(date=clock[1], clock=clock[2])
        event = _EVENT.fullmatch(text)
        if event is None:
            raise Miswritten(f"Write it like {self.example}, 17:40 or 2026-10-20 17:40")
        name = event[1].strip()
        if name not in get_args(SkyEvent):
            raise Miswritten(did_you_mean(name, get_args(SkyEvent), f"Write one of {', '.join(get_args(SkyEvent))}"))
        offset = float(read_quantity(event[3], "time", "s")) if event[3] else 0.0
        if offset > 12 * 3600:
            raise Miswritten("Write at most 12 h before or after it")
        return Moment(event=name, offset_s=-offset if event[2] == "-" else offset)


class StarsText(Written):
    """``500 rule`` or a number of pixels."""

    example = "2 px"
    allowed = "how far stars may trail, from 0.5 to 50 px, such as 2 px, or 500 rule"

    def read(self, text: str, info: ValidationInfo) -> Literal["500 rule"] | float:
        if text == "500 rule":
            return "500 rule"
        number = Number("pixels", Bounds(0, 50), "2", units=("px",)).read(text, info)
        if number < 0.5:
            raise Miswritten("Write half a pixel or more: less is shorter than any picture of a night")
        return float(number)


class ChangeOfIntervalForm(Form):
    moment: Annotated[Moment, MomentText()] = Field(alias="at")
    interval: Annotated[float, _INTERVAL]

    def build(self) -> IntervalChange:
        return IntervalChange(at=self.moment, interval_s=self.interval)


class NightForm(Form):
    """How dark the night is wanted."""

    says: ClassVar[str] = "a mapping of darker, from and over"

    darker: Annotated[Any, Number("stops", Bounds(0, 6), "2", fraction=True, units=("stops", "stop"))] = 2
    begins: Annotated[Any, Number("an EV at ISO 100", Bounds(-10, 16), "6", units=("EV",))] = Field(6, alias="from")
    over: Annotated[Any, Number("stops", Bounds(1, 24), "12", units=("stops", "stop"))] = 12


class TimelapseForm(OneFocusForm):
    """``timelapse: {interval: 20 s, start: sunset - 40 min, end: sunset + 90 min}``."""

    says: ClassVar[str] = "a mapping with interval and one of end, for, frames and film"

    interval: Annotated[float, _INTERVAL]
    changes: list[ChangeOfIntervalForm] = Field([], max_length=10, description="a list of at most 10 changes")
    start: Annotated[Moment | None, MomentText()] = None
    end: Annotated[Moment | None, MomentText()] = None
    lasts: Annotated[
        float | None, Quantity("a duration", "time", "s", Bounds(1, int(MOST_S)), "2 h", "from 1 s to 48 h")
    ] = Field(None, alias="for")
    frames: Annotated[int | None, Whole("a number of frames", 2, MOST_FRAMES, "300", units=("frames",))] = None
    film: Annotated[float | None, Quantity("the film's length", "time", "s", Bounds(1, 3600), "12 s")] = None
    rate: Annotated[int, Whole("frames a second of the film", 1, 120, "25", units=("fps",))] = 25
    aperture: Annotated[str | None, MarkText("aperture")] = None
    ring: Annotated[bool, YesNo()] = False
    through: list[Annotated[str, Text("the name of a filter", 40, "ND 64")]] = Field(
        [], max_length=6, description="a filter of the kit, or a list"
    )
    longest: Annotated[float | None, Quantity("an exposure time", "time", "s", Bounds(0, 3600, above=True), "8 s")] = (
        None
    )
    stars: Annotated[Literal["500 rule"] | float | None, StarsText()] = None
    still: list[Annotated[str, SubjectName()]] = Field([], max_length=20, description="a subject, or a list of them")
    iso_at_most: Annotated[str | None, MarkText("iso")] = None
    night: NightForm = NightForm()
    white_balance: Annotated[WhiteBalance, Phrase(*get_args(WhiteBalance))] = "daylight"
    record: Annotated[Record, Phrase(*get_args(Record))] = "JPEG"

    @model_validator(mode="before")
    @classmethod
    def _only_subject(cls, value: Any, info: ValidationInfo) -> Any:
        known = known_of(info).subjects
        if isinstance(value, dict) and "focus" not in value and known is not None and len(known) == 1:
            return {**value, "focus": known[0]}
        return value

    @field_validator("still", "through", mode="before")
    @classmethod
    def _one_or_more(cls, value: Any) -> Any:
        return as_list(value)

    @field_validator("still", "through")
    @classmethod
    def _each_once(cls, value: list[str]) -> list[str]:
        return distinct(value)

    @field_validator("aperture", "iso_at_most")
    @classmethod
    def _on_scale(cls, text: str | None, info: ValidationInfo) -> str | None:
        kind: Any = "aperture" if info.field_name == "aperture" else "iso"
        if text is not None and (error := off_known_scale(kind, text, info)):
            raise error
        return text

    @model_validator(mode="after")
    def _one_end(self) -> TimelapseForm:
        told = [
            word
            for word, one in (("end", self.end), ("for", self.lasts), ("frames", self.frames), ("film", self.film))
            if one is not None
        ]
        if len(told) != 1:
            raise refusal(
                "exactly one of end, for, frames and film, which tells how long it runs",
                f"Keep one of {', '.join(told)}" if told else "Add one, such as `for: 2 h`",
            )
        if self.start is None and (self.end is not None or self.changes):
            raise refusal("a start, where the end or a change of interval is told by a time", "Add start")
        return self

    def build(self) -> Timelapse:
        return Timelapse(
            focus=self.focus,
            interval_s=self.interval,
            changes=tuple(one.build() for one in self.changes),
            start=self.start,
            end=self.end,
            lasts_s=self.lasts,
            frames=self.frames,
            film_s=self.film,
            rate=self.rate,
            aperture=self.aperture,
            ring=self.ring,
            through=tuple(self.through),
            longest_s=self.longest,
            stars=self.stars,
            still=tuple(self.still),
            iso_at_most=self.iso_at_most,
            darker=float(self.night.darker),
            darker_from=float(self.night.begins),
            darker_over=float(self.night.over),
            white_balance=self.white_balance,
            record=self.record,
        )
