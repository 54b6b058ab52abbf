"""How marks and scales are written in a brief or kit file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import Field, ValidationInfo
from pydantic_core import PydanticCustomError

from plans.kit import Known
from plans.stops import Kind, Scale, Series, label_value, read_scale, scale_between, series_marks
from plans.units import Form, Miswritten, Text, Word, Written, refusal, refusals

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
    if kind == "time" and not bare_seconds and "/" not in text and not text.lower().endswith(("s", "min")):
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
    """The scale read for one setting, and the native part of it; ``listed``: the connected camera listed it."""

    whole: Scale
    native: Scale
    listed: bool = False


Located = list[tuple[tuple[str | int, ...], PydanticCustomError]]


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
        return Scales(scale, scale, listed=True)

    def _written(self, form: ScaleForm) -> Scales:
        scale = self._marks(form.marks) if form.marks is not None else self._range(form)
        if form.marks is not None and (form.first or form.last or form.step):
            raise refusal(self.allowed, "Keep either marks, or from, to and step")
        native = form.native if isinstance(form, IsoForm) else None
        if native is None:
            return Scales(scale, scale)
        whole = f"the {self.kind} scale above"
        wrong: Located = []
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
        wrong: Located = []
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
        wrong: Located = []
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
