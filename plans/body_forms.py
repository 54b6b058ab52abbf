"""What may be written for the body of a kit."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Any, NamedTuple, get_args

from pydantic import Field, ValidationInfo, field_validator, model_validator

from plans.bulb import LONGEST_S, ORDINARY_END_S, beyond
from plans.kit import Body, Known, Sensor, Shutter
from plans.phrases import Phrase
from plans.scale_forms import IsoForm, MarkText, ScaleForm, Scales, ScaleText, off_scale, read_mark
from plans.stops import STEPS, Mark, Scale
from plans.units import Bounds, Form, Quantity, Text, Whole, refusal, refusals


class SensorForm(Form):
    width: Annotated[float, Quantity("a width", "length", "mm", Bounds(2, 100), "35.9 mm")]
    height: Annotated[float, Quantity("a height", "length", "mm", Bounds(2, 100), "24 mm")]
    pixels: list[Annotated[int, Whole("a whole number of pixels", 100, 40000, "6000")]] = Field(
        min_length=2, max_length=2, description="a list of two whole numbers, width and height, such as [6000, 4000]"
    )

    @field_validator("height")
    @classmethod
    def _landscape(cls, height: float, info: ValidationInfo) -> float:
        width = info.data.get("width")
        if width is not None and height > width:
            raise refusal(
                f"a height up to the width of {width:g} mm", "Write the sensor as it lies: change the two over"
            )
        return height

    @field_validator("pixels")
    @classmethod
    def _same_shape(cls, pixels: list[int], info: ValidationInfo) -> list[int]:
        width, height = info.data.get("width"), info.data.get("height")
        if width is None or height is None:
            return pixels
        if abs(pixels[0] / pixels[1] / (width / height) - 1) > 0.05:
            raise refusal(
                "pixels of the same shape as the sensor, within 5 %",
                f"The sensor is {width / height:.3g} times as wide as high, these pixels {pixels[0] / pixels[1]:.3g} "
                "times: check both",
            )
        return pixels

    def build(self) -> Sensor:
        return Sensor(width_mm=self.width, height_mm=self.height, pixels=(self.pixels[0], self.pixels[1]))


class BulbForm(Form):
    """``8 min`` or ``{above, to}``; ``above``: the longest time that the camera keeps by itself."""

    says = "a time such as 8 min, or a mapping of above, to"

    above: Annotated[str | None, MarkText("time")] = None
    to: Annotated[
        float,
        Quantity("a time", "time", "s", Bounds(1, round(LONGEST_S)), "8 min", "from 1 s to 1 h"),
    ]

    @model_validator(mode="before")
    @classmethod
    def _short(cls, value: Any) -> Any:
        return {"to": value} if isinstance(value, str) else value


class CarriedOn(NamedTuple):
    """A time scale carried on by bulb, and the last mark that the camera keeps by itself."""

    scale: Scale
    last: Mark


def carried_on(time: Scales, bulb: BulbForm) -> CarriedOn:
    """The time scale with the marks held open by bulb.

    Raises
    ------
    ValidationError
        If the scale has no step, ``above`` is not on it, or ``to`` is not beyond its end.
    """
    scale = time.whole
    if scale.series not in STEPS:
        allowed = "bulb beside a time scale in full, half or third stops"
        raise refusals([((), refusal(allowed, "Write time as {from, to, step}, or leave bulb out"))])
    # What a camera lists beyond 30 s may have come from a plan that was carried on already.
    text = bulb.above or (f"{ORDINARY_END_S:g} s" if time.listed else None)
    last = scale.find(text) if text else scale.marks[-1]
    if last is None and text:
        error = off_scale(scale, text, "this body's time scale")
        if not bulb.above:
            error = refusal("bulb with above, the longest time the camera keeps by itself", f"Its scale has no {text}")
        raise refusals([(("above",) if bulb.above else (), error or refusal("a mark"))])
    assert last is not None
    more = beyond(scale, last, bulb.to)
    if not more:
        allowed = f"a time beyond {last.label} s, the longest that the camera keeps by itself"
        raise refusals([(("to",), refusal(allowed, "Write a longer time, or leave bulb out"))])
    return CarriedOn(Scale("time", scale.within(None, last).marks + more, scale.series), last)


_CARD = Quantity(
    "a card's room", "memory", "MB", Bounds(1, 10**7), "64 GB", "from 1 MB to 10000 GB"
)  # fmt: skip
_FRAME = Quantity(
    "a picture's size", "memory", "MB", Bounds(Fraction(1, 100), 2000), "12 MB", "from 0.01 MB to 2 GB"
)  # fmt: skip
_SHUTTERS = f"a word or a list of words out of {', '.join(get_args(Shutter))}"


class BodyForm(Form):
    name: Annotated[str, Text("a name", 80, "demo body")]
    sensor: SensorForm
    iso: Annotated[Scales, ScaleText("iso", IsoForm)]
    time: Annotated[Scales, ScaleText("time", ScaleForm)]
    bulb: BulbForm | None = None
    flash_sync: Annotated[str | None, MarkText("time")] = None
    shutter: list[Annotated[Shutter, Phrase(*get_args(Shutter))]] = Field([], max_length=3, description=_SHUTTERS)
    card: Annotated[float | None, _CARD] = None
    frame: Annotated[float | None, _FRAME] = None
    battery: Annotated[
        int | None,
        Whole("frames that a full battery lasts for,", 1, 100000, "400 frames", units=("frames", "frame")),
    ] = None

    @field_validator("bulb")
    @classmethod
    def _carries_on(cls, bulb: BulbForm | None, info: ValidationInfo) -> BulbForm | None:
        time = info.data.get("time")
        if bulb is not None and time is not None:
            scale = carried_on(time, bulb).scale
            if isinstance(info.context, Known):
                info.context.scales["time"] = scale
        return bulb

    @field_validator("shutter", mode="before")
    @classmethod
    def _as_list(cls, value: Any) -> Any:
        if not isinstance(value, str) or value.strip() in get_args(Shutter):
            return [value] if isinstance(value, str) else value
        several = [part.strip() for part in re.split(r"[,;+&]| and ", value)]
        if len(several) > 1 and set(several) <= set(get_args(Shutter)):
            raise refusal(_SHUTTERS, f"Write several words as a list: [{', '.join(dict.fromkeys(several))}]")
        return [value]

    @field_validator("shutter")
    @classmethod
    def _distinct(cls, shutters: list[Shutter]) -> list[Shutter]:
        again = [index for index, word in enumerate(shutters) if word in shutters[:index]]
        if again:
            raise refusals([((index,), refusal("each word once", "Delete it")) for index in again])
        return shutters

    @field_validator("frame")
    @classmethod
    def _fits_the_card(cls, frame: float | None, info: ValidationInfo) -> float | None:
        card = info.data.get("card")
        if frame is not None and card is not None and frame > card:
            raise refusal(f"a picture no larger than the card's {card:g} MB", "Check both")
        return frame

    def times(self) -> Scale:
        """The whole time scale, bulb included."""
        return carried_on(self.time, self.bulb).scale if self.bulb else self.time.whole

    def build(self) -> Body:
        carried = carried_on(self.time, self.bulb) if self.bulb else None
        return Body(
            name=self.name,
            sensor=self.sensor.build(),
            iso=self.iso.whole,
            time=self.times(),
            iso_native=self.iso.native,
            bulb_above_s=carried.last.exact if carried else None,
            flash_sync_s=self._flash_sync_s(),
            shutters=tuple(self.shutter),
            card_mb=self.card,
            frame_mb=self.frame,
            battery_frames=self.battery,
        )

    def _flash_sync_s(self) -> float | None:
        """Of a mark on the scale the exact time; makers also print times that no scale has. [s]"""
        if self.flash_sync is None:
            return None
        mark = self.time.whole.find(self.flash_sync)
        return mark.exact if mark else read_mark("time", self.flash_sync)
