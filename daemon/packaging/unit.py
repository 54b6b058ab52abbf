"""The systemd unit, as text: for the user's own service manager, so that it needs no root and no account."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

_UNIT = """\
# {place}
# Then: systemctl --user daemon-reload && systemctl --user enable --now stopwright
# To have it run without anybody signed in: loginctl enable-linger
[Unit]
Description=Stopwright: shoots comparable series with a tethered camera
StartLimitIntervalSec=300
StartLimitBurst=10

[Service]
Type=notify
NotifyAccess=main
ExecStart={command} serve
Restart=on-failure
RestartSec=2
WatchdogSec=30
# The frame in flight is finished first; the service asks for more time by itself.
TimeoutStopSec=60
KillMode=mixed
UMask=0077
NoNewPrivileges=yes
LockPersonality=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
SystemCallArchitectures=native

[Install]
WantedBy=default.target
"""


def unit_text() -> str:
    """The unit for this installation."""
    called = shutil.which("stopwright") or str(Path(sys.executable).with_name("stopwright"))
    path = called.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    command = f'"{path}"' if any(letter.isspace() for letter in path) else path
    return _UNIT.format(command=command, place="~/.config/systemd/user/stopwright.service")
