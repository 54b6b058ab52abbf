"""The side-by-side page: one HTML file with its pictures inside, for a USB stick and a room without a network.

The page may ask no host for anything: its content security policy allows pictures from itself alone and the one script
and style by their hashes (W3C, Content Security Policy Level 3, 6.7.2). What people wrote reaches the page as JSON in a
data block with every ``<`` escaped, and is shown as text, never as markup.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from daemon.pictures.stopbar import StopBar, stop_bar_segments
from daemon.pictures.teaching.shapes import Lesson, LessonFrame, short_caption, whole_line, widest_pair
from daemon.pictures.words import NOT_READABLE, NOT_TAKEN

_PARTS = Path(__file__).parent / "page"
_KEYS = (
    ("← →", "another picture on the right; both, when nothing is pinned"),
    ("1 2 3", "side by side, wipe, flip; 3 or F again flips"),
    ("P S", "pin the left picture; swap the two"),
    ("+ − 0", "magnify, in step; the whole picture"),
    ("arrows on the picture", "move a magnified picture, or the edge of the wipe"),
    ("H", "hide and reveal settings"),
)

_PATTERNS = (
    '<defs><pattern id="aperture" width="8" height="8" patternUnits="userSpaceOnUse">'
    '<rect width="8" height="8" fill="#606870"/></pattern>'
    '<pattern id="time" width="8" height="8" patternUnits="userSpaceOnUse"><rect width="8" height="8" fill="#fbf9f4"/>'
    '<path d="M-2 2L2-2M0 8L8 0M6 10L10 6" stroke="#24282e" stroke-width="1.2"/></pattern>'
    '<pattern id="iso" width="8" height="8" patternUnits="userSpaceOnUse"><rect width="8" height="8" fill="#fbf9f4"/>'
    '<circle cx="4" cy="4" r="1.7" fill="#24282e"/></pattern>'
    '<pattern id="filters" width="8" height="7" patternUnits="userSpaceOnUse">'
    '<rect width="8" height="7" fill="#fbf9f4"/><path d="M0 3.5H8" stroke="#24282e" stroke-width="1.2"/></pattern>'
    "</defs>"
)


def side_by_side(lesson: Lesson, jpegs: Mapping[int, bytes]) -> str:
    """The page as text. ``jpegs``: the pictures as files, by number; one without is shown as missing."""
    script = (_PARTS / "side_by_side.js").read_text(encoding="utf-8")
    style = (_PARTS / "side_by_side.css").read_text(encoding="utf-8")
    policy = (
        f"default-src 'none'; img-src data:; style-src '{_hash(style)}'; script-src '{_hash(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    title = html.escape(lesson.title)
    keys = "".join(f"<dt>{html.escape(key)}</dt><dd>{html.escape(what)}</dd>" for key, what in _KEYS)
    panes = "".join(
        f'<div class="pane" id="{side}"><img alt=""><div class="none hidden"></div><span class="tag"></span></div>'
        for side in ("left", "right")
    )
    words = "".join(
        f'<section aria-label="{side} picture"><h2 id="{side}-title"></h2><p id="{side}-verdict" class="verdict"></p>'
        f'<p id="{side}-text"></p></section>'
        for side in ("left", "right")
    )
    picks = "".join(
        f'<div class="pick"><label>{word}<select id="{side}-pick"></select></label>{button}</div>'
        for side, word, button in (
            ("left", "Left", _button("pin", "Pin", "Pin the left picture as the reference")),
            ("right", "Right", _button("swap", "Swap", "Swap left and right")),
        )
    )
    body = f"""<header><h1>{title}</h1><p>{html.escape(lesson.day)} · {html.escape(lesson.light)}</p></header>
<main>
<div class="stage" id="stage" tabindex="0" role="group" aria-label="The two pictures; arrows move them magnified">
{panes}<div class="edge" id="edge"></div></div>
<input type="range" id="wipebar" min="0" max="100" value="50" aria-label="Edge of the wipe, per cent from the left">
<div class="tools">{picks}
<div role="group" aria-label="Picture on the right">{_button("before", "◂", "Picture before")}\
{_button("after", "▸", "Picture after")}</div>
<div role="group" aria-label="How they are laid">{_button("side", "Side by side")}{_button("wipe", "Wipe")}\
{_button("flip", "Flip")}</div>
<div role="group" aria-label="Magnify both">{_button("farther", "−", "Magnify less")}<span id="times">1×</span>\
{_button("closer", "+", "Magnify more")}{_button("whole", "Whole", "The whole picture")}</div>
<div>{_button("hide", "Hide settings")}</div></div>
<div class="words">{words}</div>
<div class="bars" id="bars"><svg id="barpicture" role="img" aria-label="">{_PATTERNS}</svg><p id="ends"></p>
<p>A aperture (solid), T time (slanting), I ISO (dots), F filter (level lines): longer gives more light. Bars that end
at the line give one brightness.</p></div>
<details><summary>Keys and touch</summary><dl>{keys}<dt>touch</dt><dd>drag to wipe, or to move a magnified picture; two
fingers magnify; tap to flip</dd></dl></details>
<p class="status" id="status" role="status" aria-live="polite"></p>
</main>
<noscript><p>This page compares pictures with a small script of its own, which is switched off here. The same pictures
lie in the folder frames beside it.</p></noscript>"""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n<link rel="icon" href="data:,">\n'
        f"<title>{title}: side by side</title>\n<style>{style}</style></head>\n<body>\n{body}\n"
        f'<script type="application/json" id="lesson">{_data(lesson, jpegs)}</script>\n'
        f"<script>{script}</script>\n</body></html>\n"
    )


def _button(name: str, text: str, label: str = "") -> str:
    told = f' aria-label="{html.escape(label)}"' if label else ""
    pressed = ' aria-pressed="false"' if name in ("pin", "side", "wipe", "flip", "hide") else ""
    return f'<button type="button" id="{name}"{told}{pressed}>{text}</button>'


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _data(lesson: Lesson, jpegs: Mapping[int, bytes]) -> str:
    """What the script shows, as JSON that cannot end its block."""
    frames = lesson.frames
    places = {frame.number: place for place, frame in enumerate(frames)}
    groups = [
        {"title": group.title, "number": number, "frames": [places[frame.number] for frame in group.frames]}
        for number, group in enumerate(lesson.groups, 1)
    ]
    pair = widest_pair(lesson)
    start = [places[pair.frames[0].number], places[pair.frames[-1].number]] if pair and pair.frames else [0, 0]
    # Any two can be laid beside each other: their bars count from one zero and end at one line, whatever their group.
    bars = stop_bar_segments([frame.step for frame in frames])
    shown = [_frame(frame, bar, jpegs.get(frame.number)) for frame, bar in zip(frames, bars, strict=True)]
    tree = {"start": start, "groups": groups, "frames": shown}
    return json.dumps(tree, ensure_ascii=True).replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _frame(frame: LessonFrame, bar: StopBar, jpeg: bytes | None) -> dict[str, Any]:
    return {
        "number": frame.number,
        "settings": whole_line(frame.step.settings),
        "caption": short_caption(frame),
        "verdict": frame.verdict,
        "src": None if jpeg is None else "data:image/jpeg;base64," + base64.b64encode(jpeg).decode(),
        "missing": NOT_TAKEN if frame.source is None else NOT_READABLE,
        "line": round(bar.line, 6),
        "total": round(bar.total, 6),
        "bar": [
            {
                "kind": part.kind,
                "letter": part.letter,
                "mark": part.mark,
                "start": round(part.start, 6),
                "length": round(part.length, 6),
            }
            for part in bar.segments
        ],
    }
