"""Commands to go on with, as a person can paste them: quoted, and with the options that were given before.

A line with such a command stands by itself and is never broken, for a broken one does something else when pasted.
"""

from __future__ import annotations

import shlex
import shutil
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

INDENT = "    "
_NAME = "stopwright"


def command_line(*words: str, store: Path | None = None) -> str:
    """``stopwright`` with ``words``, and with ``--store`` where the user named one; the path in full, as the next
    command may be given elsewhere."""
    return shlex.join([*_program(), *words, *_store(store)])


def resume_line(run: int, options: Mapping[str, Any], reachable: bool = False) -> str:
    """The command that goes on with a run, given the ``options`` of the one that stopped, by their parameter names.

    A camera behind an address is in the record; one on USB may have another number by then, and is named again only
    because it was named before. ``reachable``: go on with the goals that can be reached.
    """
    words = ["resume", str(run)]
    port, operator = options.get("camera_port"), options.get("operator_name")
    if port and not port.startswith("ptpip:"):
        words += ["--camera", port]
    if operator:
        words += ["--operator", operator]
    if reachable or options.get("reachable"):
        words.append("--reachable")
    if options.get("cue"):
        words.append("--cue")
    if (seconds := options.get("hands_timeout_s")) is not None:
        words += ["--hands-timeout", f"{seconds:g}", "--hands-late", str(options.get("hands_late", "pause"))]
    return command_line(*words, store=options.get("store_dir"))


def _store(store: Path | None) -> list[str]:
    if store is None:
        return []
    try:
        return ["--store", str(store.expanduser().absolute())]
    except RuntimeError:  # no such user's home
        return ["--store", str(store)]


def _program() -> list[str]:
    """How this program is called: by its name where the shell finds it, else by the path it was called by."""
    called = Path(sys.argv[0] if sys.argv else "")
    found = shutil.which(_NAME)
    if called.name != _NAME or not called.exists() or (found is not None and called.samefile(found)):
        return [_NAME]
    return [str(called.absolute())]
