"""What may be written for the scene in a brief."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Any, get_args

from pydantic import Field, ValidationInfo, field_validator

from plans.kit import Known
from plans.light_forms import LightForm as LightForm
from plans.light_forms import known_of
from plans.phrases import ClockTime, YesNo, minutes
from plans.scene import Near, Region, Scene, Site, Subject
from plans.scene_words import Facing, Intent, Mains, MovingDirection
from plans.units import Bounds, Form, Number, Quantity, Text, Word, refusal, refusals

SUBJECT_NAME = r"[A-Za-z0-9_-]+( [A-Za-z0-9_-]+)*"
_HALF_A_DAY = 12 * 60  # [min]
_REGION = "left, top, width and height as shares of the frame, such as [0.55, 0.2, 0.1, 0.4]"
_NEAR = f"a word or a list of words out of {', '.join(get_args(Near))}"


class SubjectForm(Form):
    distance: Annotated[float, Quantity("a distance", "length", "m", Bounds(0, 10**9, above=True), "3 m", "above 0 m")]
    depth: Annotated[float, Quantity("a depth", "length", "m", Bounds(0, 10**9), "0.2 m", "from 0 m")] = 0.0
    speed: Annotated[float, Quantity("a speed", "speed", "m/s", Bounds(0, 400), "3 m/s")] = 0.0
    direction: Annotated[float, MovingDirection()] = 90.0
    height: Annotated[
        float | None, Quantity("a height", "length", "m", Bounds(0, 10**4, above=True), "1.6 m", "above 0 m to 10 km")
    ] = None
    foliage: Annotated[bool, YesNo()] = False
    region: list[Annotated[Fraction, Number("a share of the frame", Bounds(0, 1), "0.25")]] | None = Field(
        None, min_length=4, max_length=4, description=_REGION
    )

    @field_validator("region")
    @classmethod
    def _in_the_frame(cls, region: list[Fraction]) -> list[Fraction]:
        left, top, width, height = region
        if not (width > 0 and height > 0 and left + width <= 1 and top + height <= 1):
            raise refusal("a rectangle within the frame", f"Write {_REGION}")
        return region

    @field_validator("distance")
    @classmethod
    def _beyond_focal_length(cls, value: float, info: ValidationInfo) -> float:
        focal_length = info.context.focal_length_mm if isinstance(info.context, Known) else None
        if focal_length is not None and value * 1000 <= focal_length:
            raise refusal(
                f"a distance above the lens's focal length of {focal_length:g} mm",
                "Write the distance from the sensor to the subject",
            )
        return value

    @field_validator("depth")
    @classmethod
    def _before_the_camera(cls, value: float, info: ValidationInfo) -> float:
        distance = info.data.get("distance")
        if distance is not None and value >= 2 * distance:
            raise refusal(
                f"a depth below {2 * distance:g} m, twice the distance",
                "Half of the depth lies before the distance: the near side would be behind the camera",
            )
        return value

    @field_validator("direction")
    @classmethod
    def _of_something_that_moves(cls, value: float, info: ValidationInfo) -> float:
        if info.data.get("speed") == 0:
            raise refusal("a direction beside a speed", "Add a speed, or delete direction: what stands goes nowhere")
        return value

    def build(self, name: str) -> Subject:
        return Subject(
            name=name,
            distance_m=self.distance,
            depth_m=self.depth,
            speed_m_s=self.speed,
            direction_deg=self.direction,
            height_m=self.height,
            foliage=self.foliage,
            region=None if self.region is None else _four(self.region),
        )


def _four(region: list[Fraction]) -> Region:
    left, top, width, height = (float(share) for share in region)
    return left, top, width, height


class SiteForm(Form):
    """What can hurt at this place; times are local, and within half a day of each other."""

    near: list[Annotated[Near, Word(*get_args(Near))]] = Field([], max_length=5, description=_NEAR)
    high_water: Annotated[str | None, ClockTime()] = None
    leave_by: Annotated[str | None, ClockTime()] = None
    cold: Annotated[bool, YesNo()] = False

    @field_validator("near", mode="before")
    @classmethod
    def _as_list(cls, value: Any) -> Any:
        if not isinstance(value, str):
            return value
        several = re.split(r"\s*[,;+&]\s*|\s+and\s+|\s+", value)
        if len(several) > 1 and set(several) <= set(get_args(Near)):
            raise refusal(_NEAR, f"Write several words as a list: [{', '.join(dict.fromkeys(several))}]")
        return [value]

    @field_validator("near")
    @classmethod
    def _distinct(cls, near: list[Near]) -> list[Near]:
        again = [index for index, word in enumerate(near) if word in near[:index]]
        if again:
            raise refusals([((index,), refusal("each word once", "Delete it")) for index in again])
        return near

    @field_validator("leave_by")
    @classmethod
    def _in_time(cls, leave_by: str, info: ValidationInfo) -> str:
        high_water, when = info.data.get("high_water"), known_of(info).when
        if high_water and not 0 < (minutes(high_water) - minutes(leave_by)) % 1440 <= _HALF_A_DAY:
            raise refusal(
                f"a time within the 12 hours before high water at {high_water}",
                "Leave before the water comes; write the high water that follows the pictures",
            )
        start = f"{when:%H:%M}" if when else None
        if start and not 0 < (minutes(leave_by) - minutes(start)) % 1440 <= _HALF_A_DAY:
            raise refusal(f"a time within the 12 hours after when, {start}", "Check both")
        return leave_by

    def lacks_leaving(self) -> str | None:
        """What asks for ``leave_by``, which is not written; None if nothing does or it is."""
        if self.leave_by is not None:
            return None
        if self.high_water is not None:
            return f"high water at {self.high_water}"
        return "the coast" if "coast" in self.near else None

    def build(self) -> Site:
        return Site(near=tuple(self.near), high_water=self.high_water, leave_by=self.leave_by, cold=self.cold)


class SceneForm(Form):
    light: LightForm
    facing: Annotated[float | None, Facing()] = None
    wind: Annotated[float | None, Quantity("a wind", "speed", "m/s", Bounds(0, 60), "3 m/s")] = None
    mains: Annotated[int | None, Mains()] = None
    intent: Annotated[Fraction, Intent()] = Fraction(0)
    site: SiteForm = SiteForm()
    subjects: dict[
        Annotated[
            str, Text("a name", 40, "heron", SUBJECT_NAME, "letters from A to Z, digits, - and _, single spaces")
        ],
        SubjectForm,
    ] = Field(min_length=1, max_length=50, description="a mapping of 1 to 50 subjects, each with its distance")

    @field_validator("mains")
    @classmethod
    def _noted(cls, mains: int, info: ValidationInfo) -> int:
        if isinstance(info.context, Known):
            info.context.mains_hz = mains
        return mains

    @field_validator("site")
    @classmethod
    def _leaves(cls, site: SiteForm) -> SiteForm:
        if reason := site.lacks_leaving():
            allowed = f"a local time to leave by, beside {reason}"
            raise refusals(
                [(("leave_by",), refusal(allowed, "Add `leave_by: 15:50`: look up the tide first", "nothing"))]
            )
        return site

    def build(self, known: Known) -> Scene:
        return Scene(
            light=self.light.build(known, self.facing),
            subjects={name: form.build(name) for name, form in self.subjects.items()},
            facing_deg=self.facing,
            wind_m_s=self.wind,
            mains_hz=self.mains,
            intent=self.intent,
            site=self.site.build(),
        )
