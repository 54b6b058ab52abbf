"""``calibrate``: the true stops and the tone curve of a body and lens, for a kit file."""

from __future__ import annotations

import re
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from daemon.commands.common import (
    camera_option,
    ends_well,
    json_option,
    not_written,
    note,
    operator_option,
    place,
    print_json,
    read_text,
    say,
)
from daemon.errors import CameraError, RunPaused, UsageError
from plans.stops import KINDS

if TYPE_CHECKING:
    from daemon.calibrating import Calibration, Shot
    from daemon.camera.supervisor import CameraProcess
    from daemon.operator import Operator
    from daemon.pictures.reading import FrameMeasure
    from plans.kit import Kit

_CHANGED: tuple[Literal["aperture"], Literal["time"]] = ("aperture", "time")
DONE, SKIP, STOP = "it is done", "leave this filter out", "stop here"


@click.command()
@click.option(
    "--kit", "kit_path", type=place, help="A kit file: its filters are measured too, and --out is made of it."
)
@click.option("--out", type=place, help="Write here, never over a file: KIT with its corrections, else these alone.")
@camera_option
@operator_option
@json_option
@ends_well
def calibrate(
    kit_path: Path | None, out: Path | None, camera_port: str | None, operator_name: str | None, as_json: bool
) -> None:
    """Measure this body's tone curve and the true stops of its apertures, times and filters.

    Point the camera at a still scene of many tones in steady shade, on a tripod, on M, focus by hand; not at the sun.
    About 50 frames are taken; they stay on the card.
    """
    from daemon import assembly
    from daemon.calibrating import base_shot, calibrate
    from daemon.camera.dialects import camera_scales, refuses_to_tell
    from daemon.pictures.reading import compare

    if out is not None and out.exists():
        raise UsageError(f"--out {str(out)!r}: found a file of this name; allowed: a new name")
    text, kit = _kit(kit_path)
    operator = assembly.choose_operator(operator_name, camera_port)
    with (
        tempfile.TemporaryDirectory(prefix="stopwright-calibrate-") as work,
        assembly.open_camera(camera_port, Path(work)) as camera,
    ):
        scales = camera_scales(camera.state())
        if missing := [kind for kind in KINDS if not scales.get(kind)]:
            raise refuses_to_tell(missing)
        series = _Series(camera, Path(work))
        try:
            series.set_iso()
            base = base_shot(scales, lambda shot: compare(series.take(shot)).level_stops)
            if not as_json:
                say(f"From {base.aperture.label} and {base.time.label} s; leave camera and light alone.")
            found = calibrate(base, scales, series.take)
            if kit is not None and kit.filters:
                found = _with_filters(found, series, base, kit, operator)
        finally:
            series.put_back()
    _end(found, text, out, as_json, series.taken)


class _Series:
    """Takes frames at given settings and measures them; puts the camera's settings back at the end."""

    def __init__(self, camera: CameraProcess, work: Path):
        from daemon.camera.dialects import camera_readings

        self._camera, self._work, self.taken = camera, work, 0
        state = camera.state()
        self._labels = camera_readings(state)
        self._found = {
            name: one.current for name, one in state.settings.items() if one.writable and one.current in one.labels
        }

    def set_iso(self) -> None:
        """The lowest ISO from 100 on."""
        reading = self._labels["iso"]
        mark = min(reading.scale.marks, key=lambda one: abs(one.exact - 100))
        self._camera.apply({"iso": reading.labels[mark]})

    def take(self, shot: Shot) -> FrameMeasure:
        """One frame, measured.

        Raises
        ------
        CameraError
            If it fails, or makes no JPEG.
        """
        from daemon.pictures.reading import measure_frame

        labels: dict[str, str] = {kind: self._labels[kind].labels[getattr(shot, kind)] for kind in _CHANGED}
        self._camera.apply(labels)
        files = self._camera.expose(shot.time.exact)
        jpeg = next((file for file in files if file.name.lower().endswith((".jpg", ".jpeg"))), None)
        if jpeg is None:
            raise CameraError("calibrate: found no JPEG among the camera's files; allowed: JPEG, or RAW with JPEG")
        self.taken += 1
        path = self._work / f"{self.taken}.jpg"
        self._camera.fetch(jpeg, path)
        try:
            return measure_frame(path)
        finally:
            path.unlink()

    def put_back(self) -> None:
        """The settings as they were found."""
        with suppress(CameraError):
            self._camera.apply(self._found)


def _kit(path: Path | None) -> tuple[str, Kit | None]:
    """The text of a kit file and the kit in it."""
    if path is None:
        return "", None
    from daemon.texts import stand_in_scales
    from plans.reading import demo_brief_text, read_brief

    text = read_text(path, "kit file")
    head, _, rest = demo_brief_text().partition("kit:\n")
    scene = rest[rest.index("scene:") : rest.index("goals:")]
    brief = f"{head}kit: {path.name}\n{scene}goals:\n  - isolate: heron\n"
    return text, read_brief(brief, "calibrate", lambda name: text, stand_in_scales()).kit


def _with_filters(found: Calibration, series: _Series, base: Shot, kit: Kit, operator: Operator | None) -> Calibration:
    """The same with the filters of the kit, each between two bare frames."""
    from dataclasses import replace

    from daemon.calibrating import LONGEST_S, Shot, filter_stops

    if operator is None:
        note("Filters are left out: nobody is there to fit them. Run it in a terminal.")
        return found
    measured: dict[str, float] = {}
    times = series._labels["time"].scale.marks
    for item in kit.filters:
        usable = [mark for mark in times if mark.exact <= max(LONGEST_S, base.time.exact)]
        wanted = float(base.time.light) + item.stops
        time = min(usable, key=lambda mark: abs(float(mark.light) - wanted))
        if float(time.light) < wanted - 2:
            seconds = 2 ** (wanted - float(time.light)) * time.exact
            note(f"{item.name} is left out: it would need {seconds:.0f} s a frame.")
            continue
        before = series.take(base)
        if _asked(operator, f"Fit {item.name}, alone; touch nothing else.") == SKIP:
            continue
        through = series.take(Shot(base.aperture, time))
        _asked(operator, f"Take {item.name} off; touch nothing else.")
        after = series.take(base)
        longer = float(time.light - base.time.light) + found.time.get(time.label, 0.0)
        measured[item.name] = filter_stops([before, after], through, longer, found.tone)
    return replace(found, filters=measured)


def _asked(operator: Operator, question: str) -> str:
    answer = operator.choose(question, [DONE, SKIP, STOP])
    if answer == STOP:
        raise RunPaused("Stopped at the filters. Nothing was written; calibrate again")
    return answer


def _end(found: Calibration, text: str, out: Path | None, as_json: bool, frames: int) -> None:
    lines = found.kit_lines()
    if text:
        without = re.sub(r"^corrections:.*\n?(?:^[ \t#].*\n?)*", "", text, flags=re.MULTILINE)
        lines = without.rstrip("\n") + "\n" + lines
    if out is not None:
        try:
            with out.open("x", encoding="utf-8") as file:
                file.write(lines)
        except OSError as error:
            raise not_written(out, error) from None
    if as_json:
        print_json(
            {
                "tone": list(found.tone),
                "slope": found.slope,
                "aperture": dict(found.aperture),
                "time": dict(found.time),
                "filters": dict(found.filters),
                "residual": found.residual,
                "frames": frames,
                "out": None if out is None else str(out),
            }
        )
        return
    worst = max(found.aperture, key=lambda mark: abs(found.aperture[mark]))
    say(f"{frames} frames; {found.residual:.3f} stop are left unexplained.")
    say(f"Contrast at mid grey: {found.slope:.2f}; plain sRGB has 1.")
    say(f"Farthest off of the apertures: {worst}, {found.aperture[worst]:+.2f} stop.")
    if out is None:
        say()
        say(lines.rstrip("\n"))
    else:
        say(f"Written to {out}")
