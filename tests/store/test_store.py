"""Finding, making, opening and locking a store; the logbook's shapes over time."""

from __future__ import annotations

import hashlib
import os
import re
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from support_store import Nursery, begin, picture, shoot

from daemon import migrations, tables
from daemon.errors import StoreError, UsageError
from daemon.store import default_store_path, open_store


def shapes(path):
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT name, sql FROM sqlite_master WHERE type IN ('table', 'index')").fetchall()
    return {name: re.sub(r"\s+", " ", sql or "") for name, sql in rows if "alembic_version" not in name}


def test_the_migrations_make_what_the_tables_say(tmp_path):
    open_store(tmp_path / "s").close()
    engine = sa.create_engine(f"sqlite:///{tmp_path / 's' / 'logbook.db'}")
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), tables.metadata) == []
        # Negative control: one column more is a difference.
        other = sa.MetaData()
        for table in tables.metadata.sorted_tables:
            table.to_metadata(other)
        other.tables["runs"].append_column(sa.Column("weather", sa.Text))
        assert compare_metadata(MigrationContext.configure(connection), other) != []
    engine.dispose()
    # Alembic does not compare CHECK constraints; the text of the tables has them.
    metadata = sa.create_engine(f"sqlite:///{tmp_path / 'metadata.db'}")
    tables.metadata.create_all(metadata)
    metadata.dispose()
    assert shapes(tmp_path / "s" / "logbook.db") == shapes(tmp_path / "metadata.db")


def test_the_known_revisions_are_alembics_own():
    script = ScriptDirectory.from_config(migrations.alembic_config())
    assert tuple(reversed([entry.revision for entry in script.walk_revisions()])) == migrations.REVISIONS
    assert script.get_current_head() == migrations.REVISIONS[-1]


def test_opening_again_finds_everything_and_loads_little(tmp_path):
    with open_store(tmp_path / "s") as store:
        run, steps = begin(store)
        frame, file = shoot(store, run, steps[0], picture(1))
    code = (
        "import sys, pathlib, daemon.store\n"
        "print('sqlalchemy' in sys.modules)\n"
        f"store = daemon.store.open_store(pathlib.Path({str(tmp_path / 's')!r}), create=False)\n"
        "print('sqlalchemy' in sys.modules, 'alembic' in sys.modules, store.logbook.frames(1)[0].id)\n"
        "print(store.logbook.files(1)[0].sha256)\n"
        "store.close()\n"
    )
    environ = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environ).stdout
    assert told.splitlines() == ["False", f"True False {frame.id}", file.sha256]


def test_the_store_lies_where_the_user_says(tmp_path):
    assert default_store_path({"STOPWRIGHT_STORE": str(tmp_path)}) == tmp_path
    assert default_store_path({"STOPWRIGHT_STORE": " "}) == default_store_path({})
    with pytest.raises(StoreError, match="no such user's home"):
        default_store_path({"STOPWRIGHT_STORE": "~nobody-of-that-name/pictures"})
    assert default_store_path({}).name == "Stopwright" and default_store_path({}).is_absolute()


def test_a_missing_store_is_made_only_when_asked(tmp_path):
    place = tmp_path / "not" / "yet"
    with pytest.raises(StoreError, match=r"there is no store\. Shoot something first"):
        open_store(place, create=False)
    assert not (tmp_path / "not").exists()
    open_store(place).close()
    assert {"incoming", "runs", "logbook.db"} <= {path.name for path in place.iterdir()}
    open_store(place, create=False).close()


def test_what_is_no_store_is_left_alone(tmp_path):
    file, album, lost, foreign, damaged = (tmp_path / name for name in ("file", "album", "lost", "foreign", "damaged"))
    file.write_text("hello")
    album.mkdir()
    (album / "holiday.jpg").write_bytes(picture(1))
    (lost / "runs" / "2026-10-20-run-001-fountain").mkdir(parents=True)
    foreign.mkdir()
    with closing(sqlite3.connect(foreign / "logbook.db")) as other, other:
        other.execute("CREATE TABLE notes (text)")
    damaged.mkdir()
    (damaged / "logbook.db").write_bytes(b"not a database, surely" * 1000)
    for place, words in (
        (file, "found a file"),
        (file / "below", "found a file"),
        (album, "'holiday.jpg'"),
        (lost, "their logbook is missing"),
        (foreign, "no logbook of stopwright"),
        (damaged, "damaged or is none"),
    ):
        before = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*"))
        with pytest.raises(StoreError, match=words) as caught:
            open_store(place)
        assert caught.value.exit_code == 5 and re.search("STOPWRIGHT_STORE|a backup of", str(caught.value))
        assert sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*")) == before


def test_a_logbook_of_a_newer_version_is_refused_and_not_touched(tmp_path):
    with open_store(tmp_path / "s") as store:
        begin(store)
    database = tmp_path / "s" / "logbook.db"
    with closing(sqlite3.connect(database)) as newer, newer:
        newer.execute("UPDATE alembic_version SET version_num = '0999'")
    before = hashlib.sha256(database.read_bytes()).hexdigest()
    with pytest.raises(StoreError, match=r"newer version of stopwright \(shape 0999; .* Update stopwright"):
        open_store(tmp_path / "s")
    assert hashlib.sha256(database.read_bytes()).hexdigest() == before


def test_damage_in_the_middle_of_the_logbook_is_said_and_kills_no_picture(tmp_path):
    with open_store(tmp_path / "s") as store:
        run, steps = begin(store, 60)
        _, file = shoot(store, run, steps[0], picture(1))
    database = tmp_path / "s" / "logbook.db"
    whole = bytearray(database.read_bytes())
    whole[4096:] = b"\xa5" * (len(whole) - 4096)
    database.write_bytes(whole)
    with pytest.raises(StoreError, match="damaged"):
        open_store(tmp_path / "s").logbook.steps(run.id)
    assert (tmp_path / "s" / file.path).read_bytes() == picture(1)


def test_a_logbook_that_does_not_say_its_shape_is_refused(tmp_path):
    open_store(tmp_path / "s").close()
    for sql in ("DELETE FROM alembic_version", "DROP TABLE alembic_version"):
        with closing(sqlite3.connect(tmp_path / "s" / "logbook.db")) as broken, broken:
            broken.execute(sql)
        with pytest.raises(StoreError, match=r"does not say its shape|no such table"):
            open_store(tmp_path / "s")


@pytest.fixture
def nursery():
    started = Nursery()
    yield started
    started.close()


def test_a_second_shooter_is_refused_with_the_holder_named(tmp_path, nursery):
    with open_store(tmp_path / "s") as store:
        with store.lock("stopwright shoot heron.yaml"):
            pass  # free again afterwards
        nursery.start("hold", store.path)
        child = int(nursery.read_until(rb"holding (\d+)\n")[1])
        words = rf"process {nursery.pid} has it since \d{{4}}-.*Z: stopwright shoot fountain\.yaml"
        with pytest.raises(UsageError, match=words) as caught, store.lock("stopwright resume last"):
            pass
        assert caught.value.exit_code == 2
        store.logbook.add_event("note", "reading and noting need no lock")
        nursery.kill()
        try:
            with store.lock("stopwright resume last"):  # let go by death, though a child of the dead one lives on
                os.kill(child, 0)
        finally:
            os.kill(child, signal.SIGKILL)


def test_the_same_process_cannot_shoot_twice(tmp_path):
    with open_store(tmp_path / "s") as store, open_store(tmp_path / "s") as again:
        with store.lock("one"), pytest.raises(UsageError, match=f"process {os.getpid()} .*: one"), again.lock("two"):
            pass
        with again.lock("two"):
            pass
