"""What may be written for the kit in a brief or kit file, and how it becomes the models of `plans.kit`."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from plans.kit import Body, Filter, Kit, Known, Lens, Sensor
from plans.scale_forms import IsoForm, Located, ScaleForm, Scales, ScaleText
from plans.units import Bounds, Form, Number, Quantity, Text, Whole, Word, refusal, refusals


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


class BodyForm(Form):
    name: Annotated[str, Text("a name", 80, "demo body")]
    sensor: SensorForm
    iso: Annotated[Scales, ScaleText("iso", IsoForm)]
    time: Annotated[Scales, ScaleText("time", ScaleForm)]

    def build(self) -> Body:
        return Body(
            name=self.name,
            sensor=self.sensor.build(),
            iso=self.iso.whole,
            time=self.time.whole,
            iso_native=self.iso.native,
        )


class LensForm(Form):
    focal_length: Annotated[float, Quantity("a focal length", "length", "mm", Bounds(1, 2000), "50 mm")]
    aperture: Annotated[Scales, ScaleText("aperture", ScaleForm)]
    nearest_focus: Annotated[
        float, Quantity("a distance", "length", "m", Bounds(Fraction(1, 100), 100), "0.45 m", "from 0.01 m to 100 m")
    ]
    focus_by: Annotated[Literal["hand", "drive", "distance"], Word("hand", "drive", "distance")] = "hand"

    @field_validator("focal_length")
    @classmethod
    def _noted(cls, value: float, info: ValidationInfo) -> float:
        if isinstance(info.context, Known):
            info.context.focal_length_mm = value
        return value

    @field_validator("nearest_focus")
    @classmethod
    def _beyond_focal_length(cls, value: float, info: ValidationInfo) -> float:
        focal_length = info.data.get("focal_length")
        if focal_length is not None and value * 1000 <= focal_length:
            raise refusal(
                f"a distance above the focal length of {focal_length:g} mm",
                "Write the nearest distance the lens focuses at, measured from the sensor",
            )
        return value

    def build(self) -> Lens:
        return Lens(
            focal_length_mm=self.focal_length,
            aperture=self.aperture.whole,
            nearest_focus_m=self.nearest_focus,
            focus_by=self.focus_by,
        )


class FilterForm(Form):
    name: Annotated[str, Text("a name", 40, "ND 8")]
    stops: Annotated[
        Fraction | None, Number("stops", Bounds(0, 30, above=True), "3", fraction=True, units=("stops", "stop"))
    ] = None
    density: Annotated[Fraction | None, Number("a density", Bounds(0, 9, above=True), "1.8")] = None

    def build(self) -> Filter:
        # One stop is a density of log10(2) = 0.30103: a density is the common logarithm of the light's division.
        stops = float(self.stops) if self.stops is not None else float(self.density or 0) / math.log10(2)
        return Filter(name=self.name, stops=stops)


class KitForm(Form):
    body: BodyForm
    lens: LensForm
    filters: list[FilterForm] = Field([], max_length=6, description="a list of at most 6 filters")
    support: Annotated[Literal["tripod", "monopod", "hand"], Word("tripod", "monopod", "hand")] = "tripod"

    @field_validator("filters")
    @classmethod
    def _distinct(cls, filters: list[FilterForm]) -> list[FilterForm]:
        wrong: Located = []
        names: set[str] = set()
        for index, item in enumerate(filters):
            if (item.stops is None) == (item.density is None):
                error = refusal(
                    "either stops or density",
                    "Add stops or density" if item.stops is None else "Delete one of the two",
                    "neither" if item.stops is None else "both",
                )
                wrong.append(((index,), error))
            if item.name in names:
                error = refusal("a name of its own for each filter", "Give it another name", f'"{item.name}" again')
                wrong.append(((index, "name"), error))
            names.add(item.name)
        if wrong:
            raise refusals(wrong)
        return filters

    def build(self) -> Kit:
        return Kit(
            body=self.body.build(),
            lens=self.lens.build(),
            filters=tuple(item.build() for item in self.filters),
            support=self.support,
        )
