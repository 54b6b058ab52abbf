"""``kit``: from what a camera tells of itself to a kit file for planning at home."""

from __future__ import annotations

from pathlib import Path

import click

from daemon.camera.trees import Told
from daemon.commands.common import camera_option, ends_well, json_option, not_written, place, print_json, read_text, say
from daemon.errors import UsageError


@click.group()
def kit() -> None:
    """Kit files: what the camera can be set to, for planning without it."""


@kit.command("read")
@click.argument("tree_path", metavar="[TREE.json]", required=False, type=place)
@camera_option
@click.option("--out", type=place, help="Write the kit file here; never over one that is there.")
@json_option
@ends_well
def read(tree_path: Path | None, camera_port: str | None, out: Path | None, as_json: bool) -> None:
    """Read the scales of a camera from its configuration tree TREE.json, or from the camera itself (--camera PORT).

    Without --out the kit file is printed. Lines that say FILL-IN hold what no camera tells.
    """
    from daemon.camera.kit_file import kit_text
    from daemon.camera.kit_reading import read_kit

    reading = read_kit(_told(tree_path, camera_port))
    text = kit_text(reading)
    if out is not None:
        _write(out, text)
    if as_json:
        print_json(reading.as_json())
    elif out is None:
        say(text.rstrip("\n"))
    else:
        for kind, one in reading.kinds.items():
            marks = one.scale.marks
            ends = f"{one.own[marks[0]]} to {one.own[marks[-1]]}, {one.series}" if marks else "unknown"
            count = "no marks" if not marks else f"{len(marks)} mark{'s' * (len(marks) > 1)}"
            say(f"{kind:<9} {count:>9}  {ends}{'  (cannot be set now)' if kind in reading.locked else ''}")
        if not any(one.scale.marks for one in reading.kinds.values()):
            say("Nothing to plan by was found: no aperture, no time, no ISO. Read it again with the")
            say("camera's dial at M, or fill the scales in by hand, from what its dials show.")
        for note in reading.notes:
            say(f"- {note}")
        say(f"Written to {out}; fill in its lines that say FILL-IN, then name it in a brief as kit: {out.name}")


def _told(tree_path: Path | None, camera_port: str | None) -> Told:
    from daemon.camera.trees import read_tree, told_live

    if (tree_path is None) == (camera_port is None):
        found = "both a file and --camera" if tree_path else "neither a file nor --camera"
        raise UsageError(
            f"kit read: found {found}; allowed: one of them: stopwright kit read TREE.json, or "
            "stopwright kit read --camera PORT"
        )
    if tree_path is not None:
        return read_tree(read_text(tree_path, "tree"), tree_path.name)
    import tempfile

    from daemon.assembly import open_camera

    with tempfile.TemporaryDirectory() as work, open_camera(camera_port, Path(work)) as camera:
        return told_live(camera.state())


def _write(out: Path, text: str) -> None:
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError(
            f"--out {str(out)!r}: found a file of this name; allowed: a new name. What was filled in there is kept"
        ) from None
    except OSError as error:
        raise not_written(out, error) from None
