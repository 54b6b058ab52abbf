"""What may be written for the kit in a brief or kit file, and how it becomes the models of `plans.kit`."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Annotated, Any, Literal, NamedTuple, get_args

from pydantic import Field, ValidationInfo, field_validator

from plans.body_forms import BodyForm as BodyForm
from plans.body_forms import SensorForm as SensorForm
from plans.kit import Corrections, Filter, Kit, Support
from plans.lens_forms import LensForm as LensForm
from plans.phrases import YesNo
from plans.scale_forms import Located, MarkText, off_scale
from plans.stops import Scale
from plans.units import Bounds, Form, Number, Text, Word, refusal, refusals

_FARTHEST_MEASURED = 2  # [stops] from what is printed on the filter: farther off is a slip


class FilterForm(Form):
    name: Annotated[str, Text("a name", 40, "ND 8")]
    stops: Annotated[
        Fraction | None, Number("stops", Bounds(0, 30, above=True), "3", fraction=True, units=("stops", "stop"))
    ] = None
    density: Annotated[Fraction | None, Number("a density", Bounds(0, 9, above=True), "1.8")] = None
    measured: Annotated[
        Fraction | None,
        Number("stops as measured", Bounds(0, 32, above=True), "6.3 stops", fraction=True, units=("stops", "stop")),
    ] = None
    kind: Annotated[Literal["neutral", "polariser"], Word("neutral", "polariser")] = "neutral"
    most: Annotated[
        Fraction | None,
        Number("stops", Bounds(0, 5, above=True), "2 stops", fraction=True, units=("stops", "stop")),
    ] = None
    stacks: Annotated[bool, YesNo()] = True
    cast: Annotated[str | None, Text("a colour cast in words", 60, "slightly warm")] = None

    @field_validator("measured")
    @classmethod
    def _near_nominal(cls, measured: Fraction, info: ValidationInfo) -> Fraction:
        stops, density = info.data.get("stops"), info.data.get("density")
        if (stops is None) == (density is None):
            return measured
        nominal = _stops(stops, density)
        if abs(float(measured) - nominal) > _FARTHEST_MEASURED:
            raise refusal(
                f"stops within {_FARTHEST_MEASURED} of the {nominal:.3g} that the filter is sold as",
                "Measure again, or check its stops or density",
            )
        return measured

    @field_validator("most")
    @classmethod
    def _of_a_polariser(cls, most: Fraction, info: ValidationInfo) -> Fraction:
        if info.data.get("kind") == "neutral":
            raise refusal(
                "a filter of kind polariser", "Add `kind: polariser`, or delete most: a neutral filter takes one number"
            )
        stops, density = info.data.get("measured") or info.data.get("stops"), info.data.get("density")
        if (stops is not None or density is not None) and float(most) < _stops(stops, density):
            raise refusal(
                f"{_stops(stops, density):.3g} stops or more",
                "most is what it takes when turned to take reflections away, stops what it takes when it lets them by",
            )
        return most

    @property
    def nominal(self) -> float:
        """What it is sold as. [stops]"""
        return _stops(self.stops, self.density)

    def build(self) -> Filter:
        return Filter(
            name=self.name,
            stops=self.nominal if self.measured is None else float(self.measured),
            kind=self.kind,
            most_stops=None if self.most is None else float(self.most),
            stacks=self.stacks,
            cast=self.cast,
        )


def _stops(stops: Fraction | None, density: Fraction | None) -> float:
    # One stop is a density of log10(2) = 0.30103: a density is the common logarithm of the light's division.
    return float(stops) if stops is not None else float(density or 0) / math.log10(2)


class Held(NamedTuple):
    """What carries the camera, and whether the stricter rule limits the times."""

    by: Support
    cautious: bool = False
    gain: float | None = None  # [stops]


_GAIN = Number(
    "stops longer than the rule says that you keep it still", Bounds(0, 6), "1 stop", fraction=True,
    units=("stops", "stop"),
)  # fmt: skip


class SupportForm(Form):
    by: Annotated[Support, Word(*get_args(Support))]
    rule: Annotated[Literal["1/f", "1/(2f)"], Word("1/f", "1/(2f)")] = "1/f"
    gain: Annotated[Fraction | None, _GAIN] = None

    @field_validator("rule", "gain")
    @classmethod
    def _not_on_a_tripod(cls, value: Any, info: ValidationInfo) -> Any:
        if info.data.get("by") == "tripod":
            name = info.field_name
            raise refusal(
                f"by: hand or by: monopod beside {name}", f"Delete {name}: on a tripod no rule limits the times"
            )
        return value

    def build(self) -> Held:
        return Held(self.by, self.rule == "1/(2f)", None if self.gain is None else float(self.gain))


class SupportText(Word):
    """``tripod``, ``monopod`` or ``hand``, or ``{by, rule, gain}``."""

    form = SupportForm

    def __init__(self) -> None:
        super().__init__(*get_args(Support))
        self.allowed += ", or {by: hand, rule: 1/(2f)}"

    def _run(self, value: Any, info: ValidationInfo) -> Held:
        if isinstance(value, dict):
            return self.form.model_validate(value, context=info.context).build()
        return Held(super()._run(value, info))


_CORRECTION = Number(
    "stops by which a mark is brighter (+) or darker (-) than its exact value",
    Bounds(-1, 1), "-0.2 stops", fraction=True, units=("stops", "stop"),
)  # fmt: skip

_TONE = Number("a number", Bounds(-3, 3), "0.95")


class CorrectionsForm(Form):
    """Measured stops by mark. Where the marks lie is known to `KitForm`, which checks them."""

    aperture: dict[Annotated[str, MarkText("aperture")], Annotated[Fraction, _CORRECTION]] = Field(
        {}, max_length=60, description="a mapping of marks and stops, such as {f/1.8: -0.2 stops}"
    )
    time: dict[Annotated[str, MarkText("time")], Annotated[Fraction, _CORRECTION]] = Field(
        {}, max_length=80, description="a mapping of marks and stops, such as {1/8000 s: +0.1 stops}"
    )
    tone: list[Annotated[Fraction, _TONE]] = Field(
        [], max_length=3, description="a list of at most 3 numbers, as `stopwright calibrate` writes it"
    )

    @field_validator("tone")
    @classmethod
    def _gets_brighter(cls, tone: list[Fraction]) -> list[Fraction]:
        if tone and not Fraction(1, 3) <= tone[0] <= 3:
            raise refusal("a first number from 1/3 to 3", "Measure it again: more light must give a brighter picture")
        return tone


def _on_scale(scale: Scale, owner: str, given: dict[str, Fraction]) -> tuple[dict[str, Fraction], Located]:
    """Corrections by the scale's own labels, and what is wrong with them: strange marks, marks out of order."""
    wrong: Located = []
    found: dict[str, Fraction] = {}
    written: dict[str, str] = {}
    for text, stops in given.items():
        mark = scale.find(text)
        error = off_scale(scale, text, owner)
        if error is None and mark and mark.label in found:
            error = refusal("each mark once", f"Delete it: {written[mark.label]} is the same mark")
        if error:
            wrong.append(((scale.kind, text, "[key]"), error))
        elif mark:
            found[mark.label], written[mark.label] = stops, text
    named: set[str] = set()
    for one, other in zip(scale.marks, scale.marks[1:], strict=False):
        gap = other.light - one.light
        drift = found.get(other.label, Fraction(0)) - found.get(one.label, Fraction(0))
        if (gap + drift) * gap > 0:
            continue
        off, steady = sorted((one, other), key=lambda mark: -abs(found.get(mark.label, Fraction(0))))
        text = written[off.label]
        if text not in named:
            named.add(text)
            error = refusal(
                f"stops that leave the marks in their order: {off.label} and {steady.label} are {abs(gap)} stop apart",
                "Measure again: by this, the two would change places",
            )
            wrong.append(((scale.kind, text), error))
    return found, wrong


class KitForm(Form):
    body: BodyForm
    lens: LensForm
    filters: list[FilterForm] = Field([], max_length=6, description="a list of at most 6 filters")
    support: Annotated[Held, SupportText()] = Held("tripod")
    corrections: CorrectionsForm = CorrectionsForm()

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

    @field_validator("corrections")
    @classmethod
    def _of_this_kit(cls, corrections: CorrectionsForm, info: ValidationInfo) -> CorrectionsForm:
        body, lens = info.data.get("body"), info.data.get("lens")
        wrong: Located = []
        if isinstance(lens, LensForm):
            wrong += _on_scale(lens.anywhere(), "this lens's aperture scale", corrections.aperture)[1]
        if isinstance(body, BodyForm):
            wrong += _on_scale(body.times(), "this body's time scale", corrections.time)[1]
        if wrong:
            raise refusals(wrong)
        return corrections

    def build(self) -> Kit:
        apertures, _ = _on_scale(self.lens.anywhere(), "", self.corrections.aperture)
        times, _ = _on_scale(self.body.times(), "", self.corrections.time)
        return Kit(
            body=self.body.build(),
            lens=self.lens.build(),
            filters=tuple(item.build() for item in self.filters),
            support=self.support.by,
            cautious=self.support.cautious,
            gain=self.support.gain,
            corrections=Corrections(
                aperture={label: float(stops) for label, stops in apertures.items()},
                time={label: float(stops) for label, stops in times.items()},
                tone=tuple(float(value) for value in self.corrections.tone),
            ),
        )
