"""``python -m hardware_mocks``: a simulated camera on the loopback address."""

from __future__ import annotations

import sys

_OWN = ("daemon", "hardware_mocks", "plans")


def main() -> int:
    """Start the simulated camera, or say which Python can; the exit code."""
    try:
        from hardware_mocks import command

        return command.main()
    except ModuleNotFoundError as missing:
        name = (missing.name or "").partition(".")[0]
        if not name or name in _OWN:
            raise
        print(
            f"hardware_mocks: the simulated camera needs {name}, which this Python ({sys.executable}) does not have.\n"
            "Start it with the Python of the project's virtual environment:\n"
            "    .venv/bin/python -m hardware_mocks",
            file=sys.stderr,
        )
        return 2


if __name__ == "__main__":
    sys.exit(main())
