"""The frames of a run as a series for a film: in order, each with its exact settings and its reading."""

from __future__ import annotations

from daemon.errors import UsageError
from daemon.frames import picture_of
from daemon.logbook import FileRow, RunRow
from daemon.pictures.film.frames import ExactSettings, FilmFrame
from daemon.store import Store
from plans.plan import Settings


def film_frames(store: Store, run: RunRow) -> list[FilmFrame]:
    """Every kept picture of a run that has a JPEG, in the order of taking.

    Raises
    ------
    UsageError
        If the run has fewer than two.
    """
    logbook = store.logbook
    steps = {row.id: row for row in logbook.steps(run.id)}
    lapses = [row.id for row in steps.values() if row.kind == "timelapse"]
    timed = {row.attempt_id: row for lapse in lapses for row in logbook.lapse_frames(lapse)}
    kept = {row.id: row for row in logbook.attempts(run.id) if row.state in ("kept", "recovered")}
    files: dict[int, list[FileRow]] = {}
    for file in logbook.files(run.id):
        files.setdefault(file.frame_id, []).append(file)
    readings = {row.frame_id: row.data for row in logbook.readings(run.id)}
    series: list[FilmFrame] = []
    for frame in logbook.frames(run.id):
        attempt = kept.get(frame.attempt_id or 0)
        if frame.role != "picture" or attempt is None:
            continue
        picture = picture_of(files[frame.id])
        of_lapse = timed.get(attempt.id)
        told = steps[attempt.step_row].settings if of_lapse is None else of_lapse.settings
        number = len(series) + 1 if of_lapse is None else of_lapse.frame + 1
        if picture.kind != "jpeg" or told is None:
            continue
        settings = Settings.model_validate(told)
        level = readings.get(frame.id, {}).get("reading", {}).get("level_stops")
        series.append(
            FilmFrame(store.files.path(picture.path), number, exact_settings(settings), level, line(settings))
        )
    if timed:  # what was put off came home late
        series.sort(key=lambda one: one.number)
    if len(series) < 2:
        raise UsageError(
            f"film of run {run.id}: found {len(series)} kept pictures with a JPEG; a film has at least 2. See: "
            f"stopwright runs {run.id}"
        )
    return series


def film_so_far(store: Store, step_row: int, most: int, upto: int | None = None) -> list[FilmFrame]:
    """At most ``most`` frames of a time-lapse that are at home, evenly, up to frame ``upto`` (from 0), in order.

    However long it is, only their rows are read.
    """
    logbook = store.logbook
    rows = logbook.lapse_thinned(step_row, most, upto)
    home = logbook.lapse_at_home(rows)
    files = logbook.lapse_jpegs(list(home.values()))
    series = []
    for row in rows:
        file = files.get(home.get(row.attempt_id or 0, 0))
        if file is not None and row.settings is not None:
            settings = Settings.model_validate(row.settings)
            series.append(FilmFrame(store.files.path(file.path), row.frame + 1, exact_settings(settings)))
    return series


def exact_settings(settings: Settings) -> ExactSettings:
    """A plan's settings as exact values."""
    return ExactSettings(
        settings.aperture.exact,
        settings.time.exact,
        settings.iso.exact,
        sum(item.stops for item in settings.filters),
    )


def line(settings: Settings) -> str:
    """Settings as a caption: the marks."""
    parts = [settings.aperture.mark, f"{settings.time.mark} s", f"ISO {settings.iso.mark}"]
    return "  ".join([*parts, *(item.name for item in settings.filters)])
