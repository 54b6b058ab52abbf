"""What may be written for the lens of a kit: one focal length, or the range of a zoom."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Field, ValidationInfo, field_validator

from plans.kit import Known, Lens, Zoom
from plans.scale_forms import Located, MarkText, ScaleForm, Scales, ScaleText, off_scale
from plans.stops import STEPS, Mark, Scale, series_marks
from plans.units import Bounds, Form, Quantity, Word, read_quantity, refusal, refusals

_LENGTHS = Bounds(1, 2000)


class Focal(NamedTuple):
    """The focal length that is set, and the ends of the zoom; all the same on a lens that does not zoom. [mm]"""

    at: float
    shortest: float
    longest: float

    @property
    def zooms(self) -> bool:
        return self.shortest < self.longest


class FocalForm(Form):
    """``{from, to, set}`` of a zoom."""

    shortest: Annotated[float, Quantity("a focal length", "length", "mm", _LENGTHS, "24 mm")] = Field(alias="from")
    longest: Annotated[float, Quantity("a focal length", "length", "mm", _LENGTHS, "70 mm")] = Field(alias="to")
    now: Annotated[float, Quantity("the focal length you use", "length", "mm", _LENGTHS, "50 mm")] = Field(alias="set")

    @field_validator("longest")
    @classmethod
    def _longer(cls, longest: float, info: ValidationInfo) -> float:
        shortest = info.data.get("shortest")
        if shortest is not None and longest <= shortest:
            raise refusal(
                f"a focal length above the {shortest:g} mm of from",
                "Change the two over; of a lens that does not zoom write the one focal length",
            )
        return longest

    @field_validator("now")
    @classmethod
    def _inside(cls, now: float, info: ValidationInfo) -> float:
        shortest, longest = info.data.get("shortest"), info.data.get("longest")
        if shortest is not None and longest is not None and not shortest <= now <= longest:
            raise refusal(f"a focal length from {shortest:g} mm to {longest:g} mm", "Write where the zoom ring stands")
        return now

    def build(self) -> Focal:
        return Focal(self.now, self.shortest, self.longest)


class FocalText(Quantity):
    """A focal length, or ``{from, to, set}``."""

    form = FocalForm

    def __init__(self) -> None:
        super().__init__("a focal length", "length", "mm", _LENGTHS, "50 mm")
        self.allowed += ", or {from: 24 mm, to: 70 mm, set: 50 mm} of a zoom"

    def _run(self, value: Any, info: ValidationInfo) -> Focal:
        if isinstance(value, dict):
            return self.form.model_validate(value, context=info.context).build()
        at: float = super()._run(value, info)
        return Focal(at, at, at)


class _FocalKey(Quantity):
    """A focal length that stands as a key; kept as it is written, for complaints."""

    def __init__(self) -> None:
        super().__init__("a focal length", "length", "mm", _LENGTHS, "24 mm")

    def read(self, text: str, info: ValidationInfo) -> Any:
        super().read(text, info)
        return text


class LensForm(Form):
    focal_length: Annotated[Focal, FocalText()]
    aperture: Annotated[Scales, ScaleText("aperture", ScaleForm)]
    widest: dict[Annotated[str, _FocalKey()], Annotated[str, MarkText("aperture")]] = Field(
        {},
        min_length=1,
        max_length=20,
        description="a mapping of focal lengths and the largest aperture at each, such as {24 mm: f/3.5, 70 mm: f/5.6}",
    )
    nearest_focus: Annotated[
        float, Quantity("a distance", "length", "m", Bounds(Fraction(1, 100), 100), "0.45 m", "from 0.01 m to 100 m")
    ]
    focus_by: Annotated[Literal["hand", "drive", "distance"], Word("hand", "drive", "distance")] = "hand"

    @field_validator("focal_length")
    @classmethod
    def _noted(cls, value: Focal, info: ValidationInfo) -> Focal:
        if isinstance(info.context, Known):
            info.context.focal_length_mm = value.at
        return value

    @field_validator("widest")
    @classmethod
    def _of_this_zoom(cls, widest: dict[str, str], info: ValidationInfo) -> dict[str, str]:
        focal, aperture = info.data.get("focal_length"), info.data.get("aperture")
        if focal is None or aperture is None:
            return widest
        wrong = _wrong(focal, aperture, widest)
        if wrong:
            raise refusals(wrong)
        if isinstance(info.context, Known):
            info.context.scales["aperture"] = _zoom(focal, aperture, widest).aperture_at(focal.at)
        return widest

    @field_validator("nearest_focus")
    @classmethod
    def _beyond_focal_length(cls, value: float, info: ValidationInfo) -> float:
        focal = info.data.get("focal_length")
        if focal is not None and value * 1000 <= focal.at:
            raise refusal(
                f"a distance above the focal length of {focal.at:g} mm",
                "Write the nearest distance the lens focuses at, measured from the sensor",
            )
        return value

    def anywhere(self) -> Scale:
        """The aperture scale from the largest aperture that the lens has at any focal length."""
        if self.focal_length.zooms:
            return _zoom(self.focal_length, self.aperture, self.widest).aperture
        return self.aperture.whole

    def build(self) -> Lens:
        focal = self.focal_length
        zoom = _zoom(focal, self.aperture, self.widest) if focal.zooms else None
        return Lens(
            focal_length_mm=focal.at,
            aperture=zoom.aperture_at(focal.at) if zoom else self.aperture.whole,
            nearest_focus_m=self.nearest_focus,
            focus_by=self.focus_by,
            zoom=zoom,
        )


def _mark(aperture: Scales, text: str) -> Mark | None:
    """The mark on the scale; a camera lists only what it has now, so there the series counts as well."""
    scale = aperture.whole
    found = scale.find(text)
    if found is None and aperture.listed and scale.series in STEPS:
        found = Scale("aperture", series_marks("aperture", scale.series), scale.series).find(text)
    return found


def _wrong(focal: Focal, aperture: Scales, widest: dict[str, str]) -> Located:
    if not focal.zooms:
        allowed = "a zoom: focal_length as {from, to, set}"
        return [((), refusal(allowed, "Delete widest: the aperture scale says what this lens has"))]
    wrong: Located = []
    seen: dict[float, str] = {}
    before: Mark | None = None
    for text, written in sorted(widest.items(), key=lambda item: read_quantity(item[0], "length", "mm")):
        length = float(read_quantity(text, "length", "mm"))
        mark = _mark(aperture, written)
        if length in seen:
            wrong.append(((text, "[key]"), refusal("each focal length once", f"Delete it: {seen[length]} is the same")))
        elif not focal.shortest <= length <= focal.longest:
            allowed = f"a focal length of this zoom, from {focal.shortest:g} mm to {focal.longest:g} mm"
            wrong.append(((text, "[key]"), refusal(allowed, "Delete it")))
        elif mark is None:
            error = off_scale(aperture.whole, written, "this lens's aperture scale")
            wrong.append(((text,), error or refusal("a mark of this lens's aperture scale")))
        elif before is not None and mark.exact < before.exact:
            allowed = f"{before.label} or narrower: the zoom is {before.label} already at a shorter focal length"
            wrong.append(((text,), refusal(allowed, "Check which is which")))
        else:
            seen[length], before = text, mark
    if not wrong and focal.longest not in seen:
        allowed = f"the largest aperture at {focal.longest:g} mm, the long end, among them"
        wrong.append(((), refusal(allowed, f"Add `{focal.longest:g} mm: f/...`")))
    return wrong


def _zoom(focal: Focal, aperture: Scales, widest: dict[str, str]) -> Zoom:
    at = [(float(read_quantity(text, "length", "mm")), _mark(aperture, written)) for text, written in widest.items()]
    known = sorted(((length, mark.exact, mark) for length, mark in at if mark), key=lambda item: item[:2])
    scale = aperture.whole
    if known and scale.marks and scale.series in STEPS:
        first = min((mark for _, _, mark in known), key=lambda mark: mark.exact)
        more = [
            mark
            for mark in series_marks("aperture", scale.series)
            if first.exact * 0.999 < mark.exact < scale.marks[0].exact * 0.999
        ]
        scale = Scale("aperture", (*more, *scale.marks), scale.series)
    return Zoom(
        shortest_mm=focal.shortest,
        longest_mm=focal.longest,
        widest=tuple((length, exact) for length, exact, _ in known),
        aperture=scale,
    )
