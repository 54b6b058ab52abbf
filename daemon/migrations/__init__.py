"""The logbook's shapes over time. Alembic is only loaded when a logbook is new or older than this program."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from alembic.config import Config
    from sqlalchemy import Connection

REVISIONS = ("0001", "extra_steps", "schedule", "lapse_frames", "counting")
"""Every revision this program knows, oldest first; the last is what it writes."""

APPLICATION_ID = int.from_bytes(b"STPW", "big")
"""SQLite's mark of whose file it is (``PRAGMA application_id``)."""


def alembic_config() -> Config:
    """How alembic finds the migrations."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def upgrade(connection: Connection) -> None:
    """Bring the database behind ``connection`` to the newest revision, within the transaction already begun."""
    from alembic import command

    logging.getLogger("alembic").setLevel(logging.WARNING)  # it tells of itself at every run
    config = alembic_config()
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
