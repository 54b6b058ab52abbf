"""A look through the camera while a run waits: one live picture, for a lecturer who frames or focuses before a class.

It is no frame of the run: it lies with what can be made again, and each look takes the place of the one before.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.errors import CameraError, StoreError
from daemon.places import cache_folder

if TYPE_CHECKING:
    from daemon.context import RunContext


def live_picture(store: Path, run: int) -> Path:
    """Where the newest live picture of a run lies, if there is one."""
    return cache_folder(store) / "live" / f"run-{run}.jpg"


def look_through(context: RunContext) -> None:
    """Have the camera show what it sees, and tell it as ``preview``; a camera that shows nothing ends no run."""
    made = live_picture(context.store.path, context.run.id)
    beside = made.with_name(f".{made.name}.{os.getpid()}.{os.urandom(4).hex()}")
    try:
        made.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        size = context.camera.preview(beside)
        beside.replace(made)
    except (CameraError, StoreError, OSError) as error:
        context.forget_taker()  # it may have been lost; the next frame looks at it anew
        context.tell("preview", f"No live picture: {error}", bytes=0)
        return
    finally:
        with suppress(OSError):
            beside.unlink()
    context.tell("preview", "A live picture through the camera, no frame of the run", bytes=size)
