"""Made-up runs for the tests of teaching material: a plan of the demo's garden with small pictures of it."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from PIL import Image
from support_pictures import encode, scene
from support_run import small_brief

from daemon.report import FrameReport, RunReport
from daemon.rows import FrameRow, RunRow
from plans.compiler import compile_brief
from plans.plan import ExposeStep, Plan
from plans.reading import read_brief

GOALS = """goals:
  - compare: [{freeze: spout}, {silk: spout}]
    hold: [aperture, focus]
  - isolate: heron
  - deep: {from: heron, to: hedge}
  - ladder: {change: aperture, by: 2, from: f/4, to: f/16, balance: time, focus: heron}
  - faults: {subject: heron, show: [under, misfocused]}
limits: {iso_at_most: 6400, spread: 1/6}
"""
SECRETS = tuple(f"SECRET-{what}" for what in ("OWNER", "SERIAL", "LENS", "COMMENT", "XMP", "MAKER", "ARTIST"))
LATITUDE = (51.0, 58.0, 37.77)  # of nowhere; what a file must not tell
KIT = """stopwright-kit: 1
body:
  name: pupil's body
  sensor: {width: 23.5 mm, height: 15.6 mm, pixels: [6000, 4000]}
  iso: {from: 200, to: 6400, step: 1}
  time: {from: 1/4000 s, to: 30 s, step: 1/2}
lens:
  focal_length: 35 mm
  aperture: {from: f/2, to: f/16, step: 1/2}
  nearest_focus: 0.3 m
  focus_by: hand
support: tripod
"""


def lesson_plan(goals: str = GOALS) -> Plan:
    """A plan in the demo's garden with its kit."""
    return compile_brief(read_brief(small_brief(goals), "lesson.yaml"))


_scene = cache(scene)


def picture(step: ExposeStep, width: int = 480, height: int = 320) -> Image.Image:
    """A picture as bright as its settings are meant to make it, softer the wider the aperture."""
    light = _scene(height, width) * 2.0**step.intended_offset
    soft = max(round(4 / step.settings.aperture.exact), 1)
    image = Image.fromarray(encode(light))
    return image.resize((width // soft, height // soft)).resize((width, height)) if soft > 1 else image


def telling_jpeg(image: Image.Image, orientation: int = 1) -> bytes:
    """A JPEG whose metadata tell everything that they can: owner, serials, position, comments, a thumbnail's maker."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x013B], exif[0x8298] = "SECRET-ARTIST", "SECRET-OWNER"
    detail = exif.get_ifd(0x8769)
    detail[0xA430], detail[0xA431], detail[0xA435] = "SECRET-OWNER", "SECRET-SERIAL", "SECRET-LENS"
    detail[0x9286], detail[0x927C] = b"ASCII\0\0\0SECRET-COMMENT", b"SECRET-MAKER"
    place = exif.get_ifd(0x8825)
    place[1], place[2], place[3], place[4] = "N", LATITUDE, "W", LATITUDE
    out = io.BytesIO()
    xmp = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>SECRET-XMP</x:xmpmeta>"
    image.save(out, "JPEG", quality=90, exif=exif, comment=b"SECRET-COMMENT", xmp=xmp)
    return out.getvalue()


def made_report(folder: Path, plan: Plan | None = None, missing: int = 0, portrait: bool = False) -> RunReport:
    """A run of a plan with a picture for each step but the last ``missing``; every file tells what it should not."""
    plan = plan or lesson_plan()
    below = folder / "run" / "pictures"
    below.mkdir(parents=True, exist_ok=True)
    rows = []
    now = datetime(2026, 10, 20, 15, 30, tzinfo=UTC)
    steps = plan.exposing
    for number, step in enumerate(steps, 1):
        path = below / f"{step.id}-a1.jpg" if number <= len(steps) - missing else None
        if path is not None:
            # A camera on its side stores the picture lying and says so.
            path.write_bytes(telling_jpeg(picture(step), 6 if portrait else 1))
        exif = {"exposure_s": step.settings.time.exact, "f_number": step.settings.aperture.exact, "iso": 100.0}
        exif |= {"serial": "SECRET-SERIAL", "taken": "2026:10:20 15:30:00", "model": "garden 1"}
        frame = FrameRow(number, 1, number, "picture", None, now, exif, None, "as planned")
        rows.append(
            FrameReport(step, "kept", frame, path, 0.0, 0.01, 0.01, None, None, None, False)
            if path is not None
            else FrameReport(step, "skipped", None, None, None, None, None, None, None, None, False)
        )
    run = RunRow(1, plan.title, "run", now, now, "done", "ptpip:127.0.0.1", "garden 1", "console", "")
    return RunReport(run, plan, 1, folder / "run", tuple(rows), {}, 13.0)
