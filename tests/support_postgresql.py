"""A PostgreSQL server for one test process: a private folder, a socket of its own, gone at the end."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from itertools import count
from pathlib import Path

import psycopg
import pytest

from daemon import database_server
from daemon.store import open_store


def binaries() -> Path | None:
    """The folder of the newest server installed as Debian lays it out, or on the path; None: there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda place: int(place.parts[-3]))
    on_path = shutil.which("initdb")
    return found[-1].parent if found else Path(on_path).parent if on_path else None


class Server:
    """A running server. The data need not outlive a power cut, so it never waits for the disk."""

    def __init__(self, programs: Path):
        # In memory where there is room for that; and short, since a socket's path must be.
        memory = Path("/dev/shm")
        place = memory if os.access(memory, os.W_OK) and shutil.disk_usage(memory).free > 2**29 else Path("/tmp")
        self._folder = Path(tempfile.mkdtemp(prefix="stopwright-pg-", dir=place))
        self._user = None
        if os.geteuid() == 0:  # the server refuses to run as root
            entry = next(entry for name in ("postgres", "nobody") for entry in pwd.getpwall() if entry.pw_name == name)
            os.chown(self._folder, entry.pw_uid, entry.pw_gid)
            self._user = entry.pw_name
        self._data = self._folder / "data"
        self._numbers = count(1)
        self._control = programs / "pg_ctl"
        self._call(programs / "initdb", "-D", self._data, "-U", "rig", "-A", "trust", "-E", "UTF8", "--no-locale", "-N")
        options = f"-c listen_addresses= -c unix_socket_directories={self._folder} -c fsync=off -c shared_buffers=8MB"
        self._call(self._control, "-D", self._data, "-w", "-l", self._folder / "log", "-o", options, "start")
        # A logbook of the newest shape, to copy for each test.
        self._admin = psycopg.connect(self._address("postgres"), autocommit=True)
        with tempfile.TemporaryDirectory() as folder:
            open_store(Path(folder) / "s", database=self.empty()).close()
            identity = database_server.read_badge(Path(folder) / "s")
        assert identity is not None
        self._admin.execute("ALTER DATABASE t1 RENAME TO made")

    def empty(self) -> str:
        """The address of a new, empty database."""
        name = f"t{next(self._numbers)}"
        self._admin.execute(f"CREATE DATABASE {name}")
        return self._address(name)

    def for_store(self, root: Path) -> str:
        """The address of a new logbook, with the folder at ``root`` that it belongs to."""
        name = f"t{next(self._numbers)}"
        self._admin.execute(f"CREATE DATABASE {name} TEMPLATE made")
        url, identity = self._address(name), database_server.new_identity()
        with psycopg.connect(url) as connection:
            connection.execute(f"COMMENT ON TABLE alembic_version IS 'stopwright store {identity}'")  # type: ignore[arg-type]
        root.mkdir(parents=True)
        (root / "runs").mkdir()
        (root / database_server.BADGE).write_text(database_server.badge_text(url, identity))
        return url

    def drop(self, url: str) -> None:
        """Let a database go that `empty` or `for_store` made."""
        name = url.partition("@/")[2].partition("?")[0]
        self._admin.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")

    def stop(self) -> None:
        """End the server and remove its folder."""
        self._admin.close()
        self._call(self._control, "-D", self._data, "-w", "-m", "immediate", "stop")
        shutil.rmtree(self._folder)

    def _address(self, name: str) -> str:
        return f"postgresql://rig@/{name}?host={self._folder}"

    def _call(self, *words: object) -> None:
        done = subprocess.run(
            [str(word) for word in words],
            user=self._user,
            cwd=self._folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE if "start" not in words else subprocess.DEVNULL,
            env={"PATH": os.environ.get("PATH", ""), "LC_ALL": "C"},
            check=False,
        )
        assert done.returncode == 0, (words[0], done.stderr)


_running: list[Server] = []


def server() -> Server:
    """The server of this test process, started when it is first asked for; skips where none is installed."""
    programs = binaries()
    if programs is None:
        pytest.skip("no PostgreSQL server is installed here (Debian: apt-get install postgresql)")
    if not _running:
        _running.append(Server(programs))
    return _running[0]


def stop() -> None:
    """End the server of this process, if one was started."""
    while _running:
        _running.pop().stop()
