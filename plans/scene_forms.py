"""What may be written for the scene in a brief."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated

from pydantic import Field, ValidationInfo, field_validator

from plans.kit import Known
from plans.scene import Light, Scene, Subject
from plans.units import Bounds, Form, Number, Quantity, Text, refusal

SUBJECT_NAME = r"[A-Za-z0-9_-]+( [A-Za-z0-9_-]+)*"


class LightForm(Form):
    ev100: Annotated[
        Fraction,
        Number("an exposure value at ISO 100 (13 is cloudy bright)", Bounds(-10, 22), "13", fraction=True),
    ]

    def build(self) -> Light:
        return Light(ev100=float(self.ev100))


class SubjectForm(Form):
    distance: Annotated[float, Quantity("a distance", "length", "m", Bounds(0, 10**9, above=True), "3 m", "above 0 m")]
    depth: Annotated[float, Quantity("a depth", "length", "m", Bounds(0, 10**9), "0.2 m", "from 0 m")] = 0.0
    speed: Annotated[float, Quantity("a speed", "speed", "m/s", Bounds(0, 400), "3 m/s")] = 0.0

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

    def build(self, name: str) -> Subject:
        return Subject(name=name, distance_m=self.distance, depth_m=self.depth, speed_m_s=self.speed)


class SceneForm(Form):
    light: LightForm
    subjects: dict[
        Annotated[str, Text("a name", 40, "heron", SUBJECT_NAME, "letters, digits, -, _ and single spaces")],
        SubjectForm,
    ] = Field(min_length=1, max_length=50, description="a mapping of 1 to 50 subjects, each with its distance")

    def build(self) -> Scene:
        subjects = {name: form.build(name) for name, form in self.subjects.items()}
        return Scene(light=self.light.build(), subjects=subjects)
