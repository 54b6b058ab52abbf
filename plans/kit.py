"""The kit: body, lens, filters, support, and within which limits they can be set.

Lengths on the sensor are in millimetres, distances in the scene in metres, as the field names say. Beside each model
stands its form: what may be written for it in a brief or kit file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from plans.stops import Kind, Scale, Series, label_value, read_scale, scale_between, series_marks
from plans.units import Bounds, Form, Miswritten, Number, Quantity, Text, Whole, Word, Written, refusal, refusals

FULL_FRAME_DIAGONAL_MM = 43.267  # 36 mm x 24 mm
FULL_FRAME_COC_MM = 0.03  # common practice, no source


class Sensor(BaseModel):
    """The sensor in landscape orientation."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    width_mm: float
    height_mm: float
    pixels: tuple[int, int]

    @property
    def coc_mm(self) -> float:
        """Circle of confusion: 0.03 mm on full frame, scaled by the sensor's diagonal. [mm] Common practice."""
        return FULL_FRAME_COC_MM * math.hypot(self.width_mm, self.height_mm) / FULL_FRAME_DIAGONAL_MM


class Body(BaseModel):
    """What the body can set. ``iso`` and ``time`` are whole scales; ``iso_native`` is the part that is not extended."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    name: str
    sensor: Sensor
    iso: Scale
    time: Scale
    iso_native: Scale


class Lens(BaseModel):
    """A lens at one focal length."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    focal_length_mm: float
    aperture: Scale
    nearest_focus_m: float
    focus_by: Literal["hand", "drive", "distance"] = "hand"


class Filter(BaseModel):
    """A neutral-density filter; ``stops`` is exact (density / 0.30103)."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    stops: float


class Kit(BaseModel):
    """Everything in the bag. All filters can be stacked."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    body: Body
    lens: Lens
    filters: tuple[Filter, ...] = ()
    support: Literal["tripod", "monopod", "hand"] = "tripod"


@dataclass
class Known:
    """What is known of the brief while its parts are read, in order; carried as pydantic's validation context.

    Scales come in one by one as they are read, so that goals can be held against them even when something else in
    the kit is wrong. ``camera`` holds the scales of the connected camera; None: there is none.
    """

    camera: Mapping[Kind, Scale] | None = None
    scales: dict[Kind, Scale] = field(default_factory=dict)
    focal_length_mm: float | None = None
    subjects: tuple[str, ...] | None = None
    distances_m: dict[str, float] = field(default_factory=dict)


STEP_WORDS: dict[str, Series] = {"1": "full", "1/2": "halves", "1/3": "thirds"}
_MARK_EXAMPLES: dict[Kind, str] = {"aperture": "f/5.6", "time": "1/500 s", "iso": "800"}
_MARK_WORDS: dict[Kind, str] = {
    "aperture": "an aperture above f/0, such as f/5.6",
    "time": "an exposure time above zero as the camera marks it, such as 1/500 s or 30 s",
    "iso": "an ISO speed above zero, such as 800 or ISO 800",
}


def read_mark(kind: Kind, text: str, bare_seconds: bool = False) -> float:
    """The number printed in a mark as a person writes it. [f-number, s or ISO speed]

    ``bare_seconds``: a time may stand without its unit, as cameras list it; else ``30`` is refused, because it could
    mean 1/30 s.

    Raises
    ------
    Miswritten
        If it is no mark.
    """
    try:
        if not text.isascii():
            raise ValueError
        value = label_value(kind, text)
    except ValueError:
        raise Miswritten(f"Write it like {_MARK_EXAMPLES[kind]}") from None
    if kind == "time" and not bare_seconds and "/" not in text and not text.lower().endswith("s"):
        raise Miswritten(f"Add the unit: {text} s, or 1/{text} s if that is meant")
    return value


def scale_words(scale: Scale) -> str:
    """A scale in words: ``f/1.8 to f/22 in thirds of a stop``."""
    steps = {"full": "full stops", "halves": "halves of a stop", "thirds": "thirds of a stop"}
    ends = f"{scale.marks[0].label} to {scale.marks[-1].label}"
    return f"{ends} in {steps[scale.series]}" if scale.series in steps else ends


def off_scale(scale: Scale, text: str, owner: str) -> PydanticCustomError | None:
    """The refusal of a mark that is not on ``scale``, with the nearest one that is; None if it is on it."""
    if scale.find(text):
        return None
    near = scale.nearest(label_value(scale.kind, text))
    allowed = f"a mark of {owner}, {scale_words(scale)}"
    return refusal(allowed, f"The nearest is {near.label}" if near else "")


class MarkText(Written):
    """A mark as written, kept as text; whether it is on a scale is checked where the scale is known."""

    def __init__(self, kind: Kind, bare_seconds: bool = False):
        self.kind, self.bare_seconds = kind, bare_seconds
        self.allowed, self.example = _MARK_WORDS[kind], _MARK_EXAMPLES[kind]

    def read(self, text: str, info: ValidationInfo) -> str:
        read_mark(self.kind, text, self.bare_seconds)
        return text


class RangeForm(Form):
    """``{from, to}``, ends of a part of a scale; texts are read by `ScaleText`, which knows the kind."""

    first: Annotated[str | None, Text("a mark", 20, "100")] = Field(None, alias="from")
    last: Annotated[str | None, Text("a mark", 20, "6400")] = Field(None, alias="to")


class ScaleForm(RangeForm):
    """``{from, to, step}`` or ``{marks}``."""

    step: Annotated[str | None, Word(*STEP_WORDS)] = None
    marks: list[Annotated[str, Text("a mark", 20, "100")]] | None = Field(
        None, min_length=1, max_length=200, description="a list of 1 to 200 marks as the camera shows them"
    )


class IsoForm(ScaleForm):
    """The same with ``native``: the part of the scale that is not extended."""

    native: RangeForm | None = Field(None, description="a mapping of from and to")


@dataclass(frozen=True)
class Scales:
    """The scale read for one setting, and the native part of it."""

    whole: Scale
    native: Scale


_Located = list[tuple[tuple[str | int, ...], PydanticCustomError]]


class ScaleText(Written):
    """A scale: ``{from, to, step}``, ``{marks: [...]}`` or the word ``camera``."""

    def __init__(self, kind: Kind, form: type[ScaleForm]):
        self.kind, self.form = kind, form
        example = _MARK_EXAMPLES[kind]
        self.example = "{from: ..., to: ..., step: 1/3}"
        self.allowed = (
            f"{{from, to, step}} with marks such as {example}, {{marks: [...]}} with every mark, or the word camera"
        )

    def _run(self, value: Any, info: ValidationInfo) -> Scales:
        if isinstance(value, dict):
            scales = self._written(self.form.model_validate(value))
        elif not isinstance(value, str):
            raise refusal(self.allowed, f"Write {self.example}")
        else:
            scales = super()._run(value, info)
        known = info.context
        if isinstance(known, Known):
            known.scales[self.kind] = scales.whole
        return scales

    def read(self, text: str, info: ValidationInfo) -> Scales:
        if text != "camera":
            raise Miswritten(f"Write a mapping: {self.example}")
        offered = info.context.camera if isinstance(info.context, Known) else None
        if offered is None:
            raise refusal(
                self.allowed,
                f"This brief takes its {self.kind} scale from the camera: connect one, or write the scale out",
            )
        scale = offered.get(self.kind)
        if scale is None or not scale.marks:
            raise refusal(self.allowed, f"The connected camera lists no {self.kind} marks: write the scale out")
        return Scales(scale, scale)

    def _written(self, form: ScaleForm) -> Scales:
        scale = self._marks(form.marks) if form.marks is not None else self._range(form)
        if form.marks is not None and (form.first or form.last or form.step):
            raise refusal(self.allowed, "Keep either marks, or from, to and step")
        native = form.native if isinstance(form, IsoForm) else None
        if native is None:
            return Scales(scale, scale)
        whole = f"the {self.kind} scale above"
        wrong: _Located = []
        for word, text in (("from", native.first), ("to", native.last)):
            error = self._miswritten(text) if text else None
            error = error or (off_scale(scale, text, whole) if text else None)
            if error:
                wrong.append((("native", word), error))
        if wrong:
            raise refusals(wrong)
        part = scale.within(
            scale.find(native.first) if native.first else None, scale.find(native.last) if native.last else None
        )
        if not part.marks:
            raise refusals([(("native",), refusal("from below to", "Change the two over"))])
        return Scales(scale, part)

    def _miswritten(self, text: str, bare_seconds: bool = False) -> PydanticCustomError | None:
        try:
            read_mark(self.kind, text, bare_seconds)
        except Miswritten as error:
            return refusal(_MARK_WORDS[self.kind], str(error))
        return None

    def _marks(self, labels: list[str]) -> Scale:
        wrong: _Located = []
        seen: dict[float, str] = {}
        for index, label in enumerate(labels):
            error = self._miswritten(label, bare_seconds=True)
            if error is None:
                value = label_value(self.kind, label)
                if value in seen:
                    error = refusal("each mark once", f"Delete it: {seen[value]} is in the list already")
                seen.setdefault(value, label)
            if error:
                wrong.append((("marks", index), error))
        if wrong:
            raise refusals(wrong)
        return read_scale(self.kind, labels)

    def _range(self, form: ScaleForm) -> Scale:
        wrong: _Located = []
        series = STEP_WORDS.get(form.step or "", "thirds")
        whole = Scale(self.kind, series_marks(self.kind, series), series)
        for word, text in (("from", form.first), ("to", form.last), ("step", form.step)):
            if text is None:
                allowed = "1, 1/2 or 1/3" if word == "step" else _MARK_WORDS[self.kind]
                wrong.append(((word,), refusal(allowed, f"Add {word}, or list every mark under marks", "nothing")))
            elif word != "step":
                owner = f"the {self.kind} scale in this step"
                error = self._miswritten(text) or (off_scale(whole, text, owner) if form.step else None)
                if error:
                    wrong.append(((word,), error))
        if wrong or form.first is None or form.last is None:
            raise refusals(wrong)
        try:
            return scale_between(self.kind, form.first, form.last, series)
        except ValueError:
            error = refusal(f"from below to: the {self.kind} scale runs upwards", "Change the two over")
            raise refusals([(("from",), error)]) from None


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
        wrong: _Located = []
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
