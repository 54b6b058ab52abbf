"""Judges groups of a run in a process of its own: ``python -m daemon.judging_child STORE RUN GROUP [GROUP ...]``.

Started by `daemon.judging_aside` only. It gives way to everything else on the computer, reads store and pictures,
writes nothing, and prints one JSON list of verdicts; or, where nothing can be judged, one line that says why, as
``{"why": ...}``. Memory is bounded by the few pictures that are kept decoded, and goes back when the process ends.
"""

from __future__ import annotations

import json
import os
import sys
from contextlib import suppress
from pathlib import Path

NICE = 15  # of 19: an exposure, its download and its record come first


def main(folder: str, run: str, *groups: str) -> None:
    """Print the verdicts of some groups of a run."""
    with suppress(OSError):
        os.nice(NICE)
    from daemon.errors import StopwrightError
    from daemon.judging import Judge
    from daemon.report import report
    from daemon.store import open_store

    try:
        with open_store(Path(folder), create=False) as store:
            found = report(store, run)
        told = [one.model_dump(mode="json") for one in Judge(found).verdicts(groups)]
    except StopwrightError as error:
        print(json.dumps({"why": str(error)}))
        return
    print(json.dumps(told))


if __name__ == "__main__":
    main(*sys.argv[1:])
