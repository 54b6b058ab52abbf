"""The database under the logbook: one transaction a call, durable when it returns, every refusal in words.

SQLite in the store's folder, or PostgreSQL at an address; both keep the same promises and pass the same tests.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import fields
from pathlib import Path
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy.dialects import sqlite
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from daemon import database_server, migrations, rows, tables
from daemon.errors import StoreError
from daemon.files import Files, is_full

BUSY_S = 5.0  # how long another writer is waited for [s]
_Row = TypeVar("_Row")
_TABLES: dict[type, sa.Table] = {
    rows.RunRow: tables.runs,
    rows.RunPlan: tables.run_plans,
    rows.StepRow: tables.steps,
    rows.Attempt: tables.attempts,
    rows.FrameRow: tables.frames,
    rows.FileRow: tables.files,
    rows.ReadingRow: tables.readings,
    rows.CardSeen: tables.card_seen,
    rows.SettingFound: tables.settings_found,
    rows.EventRow: tables.events,
    rows.ExtraStep: tables.extra_steps,
    rows.LapseRow: tables.lapse_frames,
    rows.CommandRow: tables.commands,
}


class Database:
    """One SQLite file in WAL with synchronous FULL, or a database on a server. Usable from several threads."""

    def __init__(self, path: Path, files: Files, url: str | None = None):
        """``path`` is where the logbook lies, and names it in messages; ``url``: it is on this server instead."""
        self._path, self._files, self._url, self.on_server = path, files, url, url is not None
        self._engine = _engine(path) if url is None else database_server.engine_of(url, BUSY_S)
        self._writer = self._engine.execution_options(writes=True)
        if url is not None:
            self._writer = self._writer.execution_options(isolation_level=database_server.WRITES_AT)

    @property
    def where(self) -> tuple[Path, Files, str | None]:
        """What another `Database` needs to be about the same one: path, files, address."""
        return self._path, self._files, self._url

    def close(self) -> None:
        """Let the database go. Idempotent."""
        self._engine.dispose()

    def upgrade(self) -> None:
        """Bring the database to the newest revision; safe when two processes do it at once."""
        with self._writing("upgrade") as connection:
            migrations.upgrade(connection)

    def found_on_server(self) -> tuple[str | None, str | None]:
        """The revision of a logbook on a server and whose it is; (None, None): the database is empty."""
        with self._reading("open") as connection:
            revision = database_server.revision_there(connection)
            return revision, database_server.identity_there(connection) if revision else None

    def upgrade_on_server(self, identity: str) -> None:
        """The same as `upgrade` on a server; a logbook that is made now belongs to the store ``identity``."""
        with self._writing("upgrade") as connection:
            made = database_server.revision_there(connection) is None
            migrations.upgrade(connection)
            if made:
                database_server.claim(connection, identity)

    def damage(self) -> list[str]:
        """What SQLite finds wrong with pages and references; empty: nothing. A server looks after its own."""
        if self.on_server:
            return []
        with self._reading("look through") as connection:
            pages = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA integrity_check(20)")]
            dangling = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA foreign_key_check")]
        return [line for line in pages if line != "ok"] + [f"{name}: a row that refers to nothing" for name in dangling]

    def copy_file(self, target: Path) -> None:
        """Copy the whole SQLite database, as of one moment, into the new file ``target``, while others write."""
        with self._border("back up"), closing(sqlite3.connect(target)) as copy, self._engine.connect() as connection:
            source = connection.connection.driver_connection
            assert isinstance(source, sqlite3.Connection)
            source.backup(copy)

    def copy_from(self, other: Database) -> None:
        """Copy every row of ``other``, as of one moment, into this database, whose tables are empty."""
        with self._writing("copy") as target, other._reading("copy") as connection:
            for table in tables.metadata.sorted_tables:
                found = connection.execution_options(yield_per=500).execute(sa.select(table))
                for part in found.mappings().partitions(500):
                    target.execute(table.insert(), [{item.key: row[item] for item in table.c} for row in part])

    def _all(self, shape: type[_Row], *conditions: Any) -> list[_Row]:
        with self._reading(_TABLES[shape].name) as connection:
            return self._rows(connection, shape, *conditions)

    @staticmethod
    def _rows(connection: sa.Connection, shape: type[_Row], *conditions: Any) -> list[_Row]:
        table = _TABLES[shape]
        columns = [table.c[field.name] for field in fields(shape)]  # type: ignore[arg-type]
        order = [table.c.revision, table.c.position] if table is tables.steps else table.primary_key.columns
        return [shape(*row) for row in connection.execute(sa.select(*columns).where(*conditions).order_by(*order))]

    @staticmethod
    def _insert(connection: sa.Connection, table: sa.Table, values: dict[str, Any]) -> int:
        key = connection.execute(table.insert().values(**values)).inserted_primary_key
        assert key is not None
        return int(key[0])

    @contextmanager
    def _writing(self, what: str) -> Iterator[sa.Connection]:
        with self._border(what), self._writer.begin() as connection:
            yield connection
        if self._files.trace:
            self._files.trace("commit", what)

    @contextmanager
    def _reading(self, what: str) -> Iterator[sa.Connection]:
        with self._border(what), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def _border(self, what: str) -> Iterator[None]:
        try:
            yield
        except (SQLAlchemyError, sqlite3.Error) as error:
            original = error.orig if isinstance(error, DBAPIError) else None
            trouble = original or error
            if self.on_server:
                raise database_server.server_trouble(trouble, what, f"the logbook of {self._path.parent}") from error
            raise sqlite_trouble(trouble, what, self._path) from error


def insert_new(connection: sa.Connection, table: sa.Table) -> Any:
    """An insert into ``table`` that can say what to do about a row that is there already."""
    if connection.dialect.name == "postgresql":
        from sqlalchemy.dialects import postgresql

        return postgresql.insert(table)
    return sqlite.insert(table)


def sqlite_trouble(error: BaseException, asked: str, path: Path) -> StoreError:
    """The error for what SQLite refused: what was asked, found, allowed, what to do."""
    code = getattr(error, "sqlite_errorname", None) or ""
    told = f"{asked} in {path}"
    go_on = "Nothing already recorded is lost"
    if code == "SQLITE_FULL" or (code.startswith("SQLITE_IOERR") and is_full(path.parent)):
        return StoreError(f"{told}: the disk with the store is full. Free some space. {go_on}")
    if code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")):
        return StoreError(
            f"{told}: not allowed to write ({error}). The store must be a folder that you may write, on a disk that is "
            f"not read-only; another one is named with STOPWRIGHT_STORE. {go_on}"
        )
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return StoreError(
            f"{told}: another program has had the logbook locked for {BUSY_S:g} s. Close what has it open (a database "
            f"viewer, a backup). {go_on}"
        )
    if code.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return StoreError(
            f"{told}: the logbook is damaged or is none ({error}). The pictures in runs/ are untouched. Copy the whole "
            "folder before anything else, then put a backup of logbook.db in its place"
        )
    if code.startswith("SQLITE_IOERR"):
        return StoreError(f"{told}: the disk did not take it ({error}). Check disk and cable. {go_on}")
    return StoreError(f"{told}: the logbook refuses ({error}). Nothing of this was written")


def _engine(path: Path) -> sa.Engine:
    engine = sa.create_engine(
        sa.URL.create("sqlite", database=str(path)), connect_args={"timeout": BUSY_S, "isolation_level": None}
    )

    @sa.event.listens_for(engine, "connect")
    def _connected(connection: sqlite3.Connection, record: Any) -> None:
        for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON", "trusted_schema = OFF"):
            connection.execute(f"PRAGMA {pragma}").close()

    @sa.event.listens_for(engine, "begin")
    def _begun(connection: sa.Connection) -> None:
        # Taking the write lock at once: a transaction that began as a reader cannot wait for another writer.
        writes = connection.get_execution_options().get("writes")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine
