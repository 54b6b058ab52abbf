"""What the service manager is told, over the socket that it names in the environment (systemd's notify protocol).

Source: sd_notify(3), sd_watchdog_enabled(3).
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from contextlib import suppress


def tell(*words: str, environ: Mapping[str, str] = os.environ) -> bool:
    """Tell ``READY=1`` and the like; False where nobody wants to hear it or it could not be told."""
    place = environ.get("NOTIFY_SOCKET", "")
    if not place.startswith(("/", "@")):
        return False
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as teller:
        teller.settimeout(1.0)
        teller.connect("\0" + place[1:] if place.startswith("@") else place)
        teller.sendall("\n".join(words).encode())
        return True
    return False


def watchdog_s(environ: Mapping[str, str] = os.environ) -> float | None:
    """Within which a sign of life is wanted, again and again; None: not at all. [s]"""
    wanted, process = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", "")
    if not wanted.isdecimal() or int(wanted) == 0 or (process and process != str(os.getpid())):
        return None
    return int(wanted) / 1e6
