"""Configuration trees written to a file: what a camera told once, read at home as if it were connected.

A tree is a JSON object with ``widgets``, a list of objects: ``path`` (the widget's name is its last part), and where
the camera told them ``current``, ``choices``, ``readonly``, ``range``. Older trees name the paths alone. The labels may
have been written under any locale, so they are brought to the camera library's own way of writing before they are
read (`plain_label`).
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from daemon.camera.dialects import WIDGETS
from daemon.camera.verbs import CameraState, SettingState
from daemon.errors import UsageError
from plans.stops import Kind
from plans.yaml_tree import shorten

_A_TREE = "what the camera library tells of a camera: an object with a list named widgets"
MOST_WIDGETS = 5000
MOST_CHOICES = 1000
LONGEST_LABEL = 400

_THOUSANDS = re.compile(r"\d{1,3}(?:[.,'’\s]\d{3})+")
_SECONDS = re.compile(r'(\d+)\s*(?:"|′′|\'\')\s*(\d?)')
_SECOND_WORDS = re.compile(r"\s*(?:secs?|sek|seconds?|seg|с|秒)\.?$")


@dataclass(frozen=True)
class Told:
    """What a camera tells of itself, from a tree or live.

    Attributes
    ----------
    state
        As a live camera has it; the labels are the tree's own strings.
    read_only
        Settings that are marked as not to be set now. Empty where the source does not tell.
    tells_read_only
        Whether the source tells at all which settings can be set.
    ranges
        By setting, a range in words that was told in place of a list of marks.
    bare
        Settings that are named without a word about their values.
    focus_drive, focal_length, lens, picture
        Whether the focus can be driven over the cable (None: not told), and in the camera's own words where the zoom
        stands, the lens, the largest picture; empty where not told.
    """

    state: CameraState
    read_only: frozenset[str] = frozenset()
    tells_read_only: bool = True
    ranges: Mapping[str, str] = field(default_factory=dict)
    bare: frozenset[str] = frozenset()
    focus_drive: bool | None = None
    focal_length: str = ""
    lens: str = ""
    picture: str = ""


def told_live(state: CameraState) -> Told:
    """A connected camera's state in the same shape."""
    closed = frozenset(name for name, item in state.settings.items() if not item.writable and item.labels)
    return Told(state, read_only=closed)


def plain_label(kind: Kind, label: str) -> str:
    """A label as the camera library writes it in its own locale: ``f/3,5`` as ``f/3.5``, ``12.800`` (ISO) as ``12800``.

    Anything that is no number in another dress comes back as it is.
    """
    text = unicodedata.normalize("NFKC", label).strip().replace("ƒ", "f").replace("⁄", "/")
    if kind == "iso":
        number = re.sub(r"^ISO\s*", "", text, flags=re.IGNORECASE)
        return re.sub(r"\D", "", number) if _THOUSANDS.fullmatch(number) else text
    text = re.sub(r"(?<=\d),(?=\d)", ".", text)
    if kind == "time":
        seconds = _SECONDS.fullmatch(text)
        if seconds:
            return f"{seconds[1]}.{seconds[2]}s" if seconds[2] else f"{seconds[1]}s"
        text = _SECOND_WORDS.sub("s", text)
    return text


@dataclass(frozen=True)
class _Widget:
    current: str
    labels: tuple[str, ...]
    read_only: bool | None
    span: str
    bare: bool


def read_tree(text: str, name: str) -> Told:
    """The camera that a configuration tree describes.

    Raises
    ------
    UsageError
        If the text is no JSON, no such tree, or holds a value of another type than it should; the place is named.
    """
    try:
        tree = json.loads(text)
        json.dumps(tree, ensure_ascii=False).encode()
    except UnicodeEncodeError:
        raise _wrong(name, "", "half a character (a lone surrogate)", "whole characters") from None
    except RecursionError:
        raise _wrong(
            name,
            "",
            "brackets nested beyond all use",
            _A_TREE,
        ) from None
    except ValueError as error:
        place = f"line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        raise _wrong(name, place, "no JSON", "the configuration tree of a camera, written as JSON") from None
    if not isinstance(tree, dict) or not isinstance(tree.get("widgets"), list):
        raise _wrong(
            name,
            "the file",
            _kind_of(tree),
            _A_TREE,
        )
    if len(tree["widgets"]) > MOST_WIDGETS:
        raise _wrong(name, "widgets", f"{len(tree['widgets'])} entries", f"at most {MOST_WIDGETS}")
    widgets: dict[str, _Widget] = {}
    for index, item in enumerate(tree["widgets"]):
        path, widget = _widget(name, f"widgets[{index + 1}]", item)
        widgets.setdefault(path.rstrip("/").rsplit("/", 1)[-1], widget)
    if not any(widget in widgets for kind in ("aperture", "time", "iso") for widget in WIDGETS[kind]):
        allowed = f"at least one of {', '.join(one for kind in ('aperture', 'time', 'iso') for one in WIDGETS[kind])}"
        raise _wrong(name, "widgets", "neither aperture nor time nor ISO", allowed)
    camera = tree.get("camera")
    return _told(widgets, camera if isinstance(camera, str) else "")


def _told(widgets: Mapping[str, _Widget], camera: str) -> Told:
    settings: dict[str, SettingState] = {}
    read_only: set[str] = set()
    bare: set[str] = set()
    ranges: dict[str, str] = {}
    for name, candidates in WIDGETS.items():
        there = [(widget, widgets[widget]) for widget in candidates if widget in widgets]
        if not there:
            continue
        # As for a live camera: the one that can be set, then the one that lists its choices, then the more exact.
        chosen, found = max(
            there, key=lambda one: (len(one[1].labels) > 1 and not one[1].read_only, one[1].labels > ())
        )
        writable = not found.read_only and len(found.labels) > 1
        settings[name] = SettingState(
            name=name, widget=chosen, current=found.current, labels=found.labels, writable=writable
        )
        if found.read_only:
            read_only.add(name)
        if found.bare:
            bare.add(name)
        if found.span and not found.labels:
            ranges[name] = found.span

    def current(*names: str) -> str:
        return next((widgets[name].current for name in names if name in widgets and widgets[name].current), "")

    maker = re.split(r"[ .,]", current("manufacturer"))[0]
    model = current("cameramodel")
    if model and maker and maker.lower() not in model.lower():
        model = f"{maker} {model}"
    digits = current("batterylevel").rstrip("% ").strip()
    sizes = [size for label in _labels(widgets, "imagesize") if (size := re.match(r"(\d{3,5})x(\d{3,5})", label))]
    drive = widgets.get("manualfocusdrive")
    return Told(
        CameraState(
            model=shorten(model or camera or "camera"),
            port="",
            settings=settings,
            battery=min(100, int(digits)) if re.fullmatch(r"[0-9]{1,3}", digits) else None,
        ),
        read_only=frozenset(read_only),
        tells_read_only=any(widget.read_only is not None for widget in widgets.values()),
        ranges=ranges,
        bare=frozenset(bare),
        focus_drive=drive is not None,
        focal_length=current("focallength"),
        lens=current("lensname"),
        picture=max(sizes, key=lambda size: int(size[1]) * int(size[2]))[0] if sizes else "",
    )


def _labels(widgets: Mapping[str, _Widget], name: str) -> tuple[str, ...]:
    return widgets[name].labels if name in widgets else ()


def _widget(name: str, place: str, item: Any) -> tuple[str, _Widget]:
    if not isinstance(item, dict):
        raise _wrong(name, place, _kind_of(item), "an object with a path")
    path = item.get("path")
    if not isinstance(path, str) or not path.strip("/ "):
        raise _wrong(name, f"{place}.path", _kind_of(path), "a path such as /main/imgsettings/iso")
    current, choices = item.get("current"), item.get("choices")
    if isinstance(current, bool) or not isinstance(current, str | int | float | None):
        raise _wrong(name, f"{place}.current", _kind_of(current), "text")
    if not isinstance(choices, list | None):
        raise _wrong(name, f"{place}.choices", _kind_of(choices), "a list of texts")
    if choices and len(choices) > MOST_CHOICES:
        raise _wrong(name, f"{place}.choices", f"{len(choices)} entries", f"at most {MOST_CHOICES}")
    for index, choice in enumerate(choices or ()):
        if not isinstance(choice, str) or len(choice) > LONGEST_LABEL:
            found = _kind_of(choice) if not isinstance(choice, str) else f"{len(choice)} characters"
            raise _wrong(name, f"{place}.choices[{index + 1}]", found, f"text of at most {LONGEST_LABEL} characters")
    read_only, span = item.get("readonly"), item.get("range")
    if read_only is not None and read_only not in (0, 1):
        raise _wrong(name, f"{place}.readonly", _kind_of(read_only), "true or false")
    words = ""
    if isinstance(span, dict):
        words = " to ".join(shorten(str(span.get(end, "?")), 20) for end in ("bottom", "top"))
    elif span is not None:
        raise _wrong(name, f"{place}.range", _kind_of(span), "an object with bottom and top")
    shown = "" if current is None else str(current)[:LONGEST_LABEL]
    bare = current is None and choices is None and span is None
    return path, _Widget(shown, tuple(choices or ()), None if read_only is None else bool(read_only), words, bare)


def _kind_of(value: Any) -> str:
    if isinstance(value, str):
        return f'"{shorten(value, 40)}"' if value else "an empty text"
    names = {dict: "an object", list: "a list", bool: "true or false", type(None): "nothing"}
    return names.get(type(value), "a number")


def _wrong(name: str, place: str, found: str, allowed: str) -> UsageError:
    where = f"{name}: {place}" if place else name
    return UsageError(
        f"{where}: found {found}; allowed: {allowed}. Write the tree again from the camera, or use --camera"
    )
