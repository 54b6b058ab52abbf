"""What may be written for the light of a scene, and the light it makes."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Annotated, Any, ClassVar, Literal, get_args

from pydantic import Field, ValidationInfo, field_validator, model_validator

from plans.kit import Known
from plans.phrases import Phrase
from plans.scale_forms import MarkText, off_scale, read_mark
from plans.scene import Light, Sky
from plans.stops import Kind, light_of
from plans.units import Bounds, Form, Number, Quantity, Word, refusal, refusals

GUESS_EV = 12.0  # open shade, ANSI PH2.7: where nothing at all is known
_OWNERS: dict[Kind, str] = {
    "aperture": "this lens's aperture scale",
    "time": "this body's time scale",
    "iso": "this body's iso scale",
}


def known_of(info: ValidationInfo) -> Known:
    return info.context if isinstance(info.context, Known) else Known()


class MeterForm(Form):
    """Settings that the camera proposed, by the kit's own marks."""

    aperture: Annotated[str, MarkText("aperture")]
    time: Annotated[str, MarkText("time")]
    iso: Annotated[str, MarkText("iso")]

    @field_validator("aperture", "time", "iso")
    @classmethod
    def _on_scale(cls, text: str, info: ValidationInfo) -> str:
        kind: Any = info.field_name
        scale = known_of(info).scales.get(kind)
        if scale and (error := off_scale(scale, text, _OWNERS[kind])):
            raise error
        return text

    def build(self, known: Known) -> Light:
        texts: dict[Kind, str] = {"aperture": self.aperture, "time": self.time, "iso": self.iso}
        total = Fraction(0)
        labels = []
        for kind, text in texts.items():
            scale = known.scales.get(kind)
            mark = scale.find(text) if scale else None
            total += mark.light if mark else Fraction(light_of(kind, read_mark(kind, text)))
            labels.append(mark.label if mark else text)
        told = f"EV {_short(-float(total))}, from a meter's {labels[0]}, {labels[1]} s and ISO {labels[2]}"
        return Light(ev100=-float(total), told=told, spot=True)


class LightForm(Form):
    otherwise: ClassVar[str] = "Delete it, and write the light as `ev100: 13` or in another of these ways"

    ev100: Annotated[
        Fraction | None,
        Number("an exposure value at ISO 100 (13 is cloudy bright)", Bounds(-10, 22), "13", fraction=True),
    ] = None
    illuminance: Annotated[
        float | None,
        Quantity(
            "an illuminance", "illuminance", "lx", Bounds(Fraction(1, 1000), 10**6), "20000 lx",
            "from 0.001 lx to 1000 klx",
        ),
    ] = None  # fmt: skip
    meter: MeterForm | None = Field(None, description="a mapping of aperture, time, iso: what the camera proposed")
    sky: Annotated[Sky | None, Phrase(*get_args(Sky))] = None
    ask: Annotated[Literal["camera"] | None, Word("camera")] = None

    @model_validator(mode="before")
    @classmethod
    def _one_way(cls, value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        ways = [word for word in value if word in cls.words()]
        field = cls.model_fields["ev100"]
        if not value:
            allowed = next(meta.allowed for meta in field.metadata if isinstance(meta, Number))
            advice = "Add `ev100: 13`, or illuminance, meter, sky or ask in its place"
            raise refusals([(("ev100",), refusal(allowed, advice, "nothing"))])
        if len(ways) > 1:
            allowed = f"one of {', '.join(cls.words())}"
            advice = f"Keep one of them: {ways[0]} stands already"
            raise refusals([((word, "[key]"), refusal(allowed, advice)) for word in ways[1:]])
        return value

    @field_validator("sky")
    @classmethod
    def _somewhere(cls, sky: str, info: ValidationInfo) -> str:
        known = known_of(info)
        if not known.unsure & {"place", "when"} and (known.place is None or known.when is None):
            lacks = [word for word, there in (("place", known.place), ("when", known.when)) if there is None]
            raise refusal(
                "a sky in a brief that says place and when",
                f"Add {' and '.join(lacks)} at the top: the sun is worked out from them. Or write `ev100: 13`",
            )
        return sky

    def build(self, known: Known, facing_deg: float | None = None) -> Light:
        if self.ev100 is not None:
            return Light(ev100=float(self.ev100), told=f"EV {_short(float(self.ev100))}, as the brief says")
        if self.illuminance is not None:
            from plans.sky import ev100_of_illuminance  # late: it brings the ephemeris

            ev100 = ev100_of_illuminance(self.illuminance)
            return Light(ev100=ev100, told=f"EV {_short(ev100)}, from {self.illuminance:g} lx on the scene")
        if self.meter is not None:
            return self.meter.build(known)
        return self._expected(known, facing_deg)

    def _expected(self, known: Known, facing_deg: float | None) -> Light:
        if known.place is None or known.when is None:
            return Light(ev100=GUESS_EV, origin="guess", told=f"EV {GUESS_EV:g} is a guess, as in open shade")
        from plans.light import forecast  # late: it brings the ephemeris

        found = forecast(known.place, known.when, self.sky, facing_deg)
        # A hundredth of a stop is far finer than a forecast, and the same on every machine.
        ev100, low, high = (round(value, 2) for value in (found.ev100, found.low, found.high))
        if self.sky is None:
            told = f"guessed from place and time, {found.text}"
            return Light(ev100=ev100, origin="guess", low=low, high=high, told=told)
        return Light(ev100=ev100, origin="forecast", low=low, high=high, sky=self.sky, told=found.text)


def _short(ev100: float) -> str:
    return f"{ev100:.1f}".removesuffix(".0") if math.isfinite(ev100) else "?"
