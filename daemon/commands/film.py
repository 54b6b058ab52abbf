"""``film``: a run's frames as a film whose brightness follows the light and not the dial."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

import click

from daemon.commands.common import ends_well, json_option, place, print_json, say, store_option
from daemon.streams import is_terminal

NICE = 10  # of 19: a run that is going on meanwhile comes first
_CROP = "Centre and width as shares of the frame, 0.5,0.5,1 being all of it"


class _Crop(click.ParamType[Any]):
    name = "x,y,width"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from daemon.pictures.film.frames import Crop

        try:
            x, y, width = (float(part) for part in str(value).split(","))
            fits = 0 <= x <= 1 and 0 <= y <= 1 and 0.05 <= width <= 1
        except ValueError:
            fits = False
        if not fits:
            self.fail(
                f"{value!r}: allowed: three numbers such as 0.5,0.4,0.8: x and y 0 to 1, width 0.05 to 1", param, ctx
            )
        return Crop(x, y, width)


@click.command()
@click.argument("run", metavar="RUN")
@click.option("--out", type=place, help="File to write, .mp4; left out: film.mp4 in the run's folder.")
@click.option("--size", type=click.Choice(["720p", "1080p", "4k"]), default="1080p", show_default=True)
@click.option("--codec", type=click.Choice(["h264", "av1"]), default="h264", show_default=True)
@click.option("--rate", type=click.IntRange(1, 120), default=25, show_default=True, help="Frames per second.")
@click.option("--crop", type=_Crop(), help=f"{_CROP}.")
@click.option("--pan-to", type=_Crop(), help="The crop at the end; the picture moves there.")
@click.option("--caption", is_flag=True, help="Show frame numbers and settings.")
@click.option("--as-taken", is_flag=True, help="Leave the brightness of every frame as it was taken.")
@click.option("--stills", type=place, metavar="FOLDER", help="Smoothed stills with XMP sidecars instead of a film.")
@store_option
@json_option
@ends_well
def film(
    run: str,
    out: Path | None,
    size: str,
    codec: str,
    rate: int,
    crop: Any,
    pan_to: Any,
    caption: bool,
    as_taken: bool,
    stills: Path | None,
    store_dir: Path | None,
    as_json: bool,
) -> None:
    """Make a film of RUN (a number, or last): the steps of the settings and the flicker of the shutter taken out.

    Beside it lie the curves of light, settings and brightness, as PNG.
    """
    from daemon.errors import UsageError
    from daemon.filming import film_frames
    from daemon.pictures.film.frames import SIZES, Crop, Look
    from daemon.pictures.film.making import make_film, measure_series
    from daemon.pictures.film.picture import frame_size
    from daemon.pictures.film.plots import draw_plots
    from daemon.pictures.film.stills import make_stills
    from daemon.store import open_store

    context = click.get_current_context()
    if context.find_root() is not context:  # a process of its own, and not called from within another
        with suppress(OSError):
            os.nice(NICE)
    if out is not None and (out.suffix.lower() != ".mp4" or out.exists()):
        found = "something there already" if out.exists() else f"the ending {out.suffix!r}"
        raise UsageError(f"--out {str(out)!r}: found {found}; allowed: a new file that ends in .mp4")
    with open_store(store_dir, create=False) as store:
        found_run = store.logbook.run(run)
        frames = film_frames(store, found_run)
        title = f"Run {found_run.id}: {found_run.title}"
        folder = store.files.path(found_run.folder)
    if stills is not None:
        shown = measure_series(frames, _progress("frames measured"))
        written = make_stills(frames, shown, stills, _progress("stills"))
        draw_plots(frames, shown, title, stills / "curves.png")
        told = {"run": found_run.id, "stills": len(written), "folder": str(stills.absolute())}
        _tell(told, as_json, [f"{len(written)} stills with sidecars:", f"  {stills.absolute()}"])
        return
    place_of_film = (out or folder / "film.mp4").absolute()
    shape = SIZES[size]
    look = Look(
        size=shape,
        codec="av1" if codec == "av1" else "h264",
        rate=rate,
        start=crop or Crop(),
        end=pan_to,
        smooth=not as_taken,
        steady=not as_taken,
        caption=caption,
    )
    shown = make_film(frames, place_of_film, look, _progress("frames"))
    curves = place_of_film.with_name(f"{place_of_film.stem}-curves.png")
    draw_plots(frames, shown, title, curves)
    least = min(look.start.width, (look.end or look.start).width)
    enlarged = frame_size(frames[0].path)[0] * least < shape[0]
    told = {
        "run": found_run.id,
        "frames": len(frames),
        "seconds": len(frames) / rate,
        "film": str(place_of_film),
        "curves": str(curves),
        "largest_gain_stops": float(abs(shown.gain).max()),
        "enlarged": enlarged,
    }
    lines = [
        f"{len(frames)} frames, {len(frames) / rate:.1f} s at {rate} a second:",
        f"  {place_of_film}",
        f"  {curves}",
    ]
    if enlarged:
        lines.append("The frames have fewer pixels than the film; they were enlarged. --size 720p may look sharper.")
    _tell(told, as_json, lines)


def _tell(told: dict[str, Any], as_json: bool, lines: list[str]) -> None:
    if as_json:
        print_json(told)
        return
    for line in lines:
        say(line)


def _progress(what: str) -> Any:
    if not is_terminal(sys.stderr):
        return None

    def tell(done: int, of: int) -> None:
        if done == of or done % 10 == 0:
            print(f"\r{done} of {of} {what}", end="\n" if done == of else "", file=sys.stderr, flush=True)

    return tell
