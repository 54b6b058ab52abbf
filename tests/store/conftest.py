"""Every test of the record runs over both databases: SQLite, and a real PostgreSQL server where one is installed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import support_postgresql

from daemon.store import Store, open_store

Opener = Callable[..., Store]


@pytest.fixture(scope="session")
def postgresql() -> Iterator[Callable[[], support_postgresql.Server]]:
    """The server, started by the first test that calls it and stopped after the last."""
    yield support_postgresql.server
    support_postgresql.stop()


@pytest.fixture
def empty_database(postgresql: Callable[[], support_postgresql.Server]) -> Iterator[str]:
    """The address of an empty PostgreSQL database."""
    server = postgresql()
    url = server.empty()
    yield url
    server.drop(url)


@pytest.fixture(params=["sqlite", "postgresql"])
def opener(
    request: pytest.FixtureRequest, postgresql: Callable[[], support_postgresql.Server], monkeypatch: pytest.MonkeyPatch
) -> Iterator[Opener]:
    """``open_store``, with the logbook in either database. One folder has one database however often it is opened."""
    monkeypatch.delenv("STOPWRIGHT_DATABASE", raising=False)
    if request.param == "sqlite":
        yield open_store
        return
    server = postgresql()
    urls: dict[Path, str] = {}

    def opened(path: Path, **options: object) -> Store:
        if path not in urls:
            urls[path] = server.for_store(path)
        return open_store(path, database=urls[path], **options)  # type: ignore[arg-type]

    opened.address = urls.__getitem__  # type: ignore[attr-defined]
    yield opened
    for url in urls.values():
        server.drop(url)


@pytest.fixture
def store(tmp_path: Path, opener: Opener) -> Iterator[Store]:
    """An open store, empty."""
    with opener(tmp_path / "Stopwright") as opened:
        yield opened
