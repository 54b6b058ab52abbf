"""What the service is set to: from a TOML file and the environment, and where each value came from.

Later sources win: what is built in, the file, ``STOPWRIGHT_NAME`` in the environment, options of the command. The file
is ``$STOPWRIGHT_CONFIG``, else ``stopwright/config.toml`` in ``$XDG_CONFIG_HOME`` or ``~/.config``.
"""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError, field_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from daemon.errors import UsageError

PREFIX = "STOPWRIGHT_"
_OTHERS = {"STOPWRIGHT_CONFIG", "STOPWRIGHT_DEBUG", "STOPWRIGHT_DATABASE", "STOPWRIGHT_CLOCK"}  # read elsewhere
_LARGEST = 100_000  # bytes of a configuration file


class Config(BaseSettings):
    """Every setting of the service, with what is built in. Times in seconds unless the name says other."""

    model_config = SettingsConfigDict(extra="forbid", env_prefix=PREFIX, frozen=True)

    store: str = Field("~/Stopwright", description="folder of pictures and logbook", min_length=1, max_length=4096)
    camera: str | None = Field(
        None, description="usb:… or ptpip:IP[:PORT]; none: the only camera there", max_length=200
    )
    operator: str = Field("page", description="page, nobody, or simulated[:HOST:PORT]", min_length=1, max_length=200)
    host: str = Field("127.0.0.1", description="address that is listened on", min_length=1, max_length=200)
    port: int = Field(8714, description="port that is listened on; 0: any free one", ge=0, le=65535)
    lan: bool = Field(False, description="listen beyond this computer, for paired devices")
    names: tuple[str, ...] = Field((), description="further host names by which devices reach the service")
    patience_s: float = Field(60.0, description="how long a lost camera is waited for", ge=0, le=86400)
    verdicts: bool = Field(True, description="each group is judged as soon as its frames are kept")
    resume_within_min: float = Field(
        15.0, description="a run that was cut off goes on at the start of the service if it was within; 0: never", ge=0,
        le=1440,
    )  # fmt: skip
    log_level: Literal["debug", "info", "warning", "error"] = Field("info", description="what is logged")
    log_form: Literal["auto", "json", "lines"] = Field("auto", description="auto: lines on a terminal, else JSON")
    preview_mb: int = Field(256, description="disk for cached previews", ge=0, le=100_000)
    latitude: float | None = Field(None, description="place for schedules by the sun [degrees north]", ge=-90, le=90)
    longitude: float | None = Field(None, description="the same [degrees east]", ge=-180, le=180)
    timezone: str | None = Field(None, description="the same, such as Europe/London", max_length=100)

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str | None) -> str | None:
        from zoneinfo import ZoneInfo

        if value is not None:
            try:
                ZoneInfo(value)
            except (KeyError, ValueError, OSError):
                raise ValueError("no time zone of this name; write it as Europe/London") from None
        return value

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """What is given to the constructor alone: `load` gathers the sources itself, to know their places."""
        return (init_settings,)


@dataclass(frozen=True)
class Loaded:
    """The settings in force, and by name where each came from, in words."""

    config: Config
    origins: Mapping[str, str]
    file: Path

    def as_json(self) -> dict[str, Any]:
        """Each setting with its value and origin."""
        values = self.config.model_dump(mode="json")
        return {
            "file": str(self.file),
            "settings": {
                name: {"value": value, "from": self.origins[name], "means": Config.model_fields[name].description}
                for name, value in values.items()
            },
        }


def config_file(environ: Mapping[str, str] = os.environ) -> Path:
    """Where the file is looked for; it need not be there."""
    named = environ.get("STOPWRIGHT_CONFIG", "").strip()
    base = environ.get("XDG_CONFIG_HOME", "").strip() or "~/.config"
    try:
        return (Path(named) if named else Path(base) / "stopwright" / "config.toml").expanduser().absolute()
    except RuntimeError:
        raise UsageError(f"configuration {named or base!r}: no such user's home is known. Write it in full") from None


def load(environ: Mapping[str, str] | None = None, options: Mapping[str, Any] | None = None) -> Loaded:
    """The settings in force.

    Parameters
    ----------
    environ
        The environment; None: this process's.
    options
        What a command was told, by setting; None values were not given.

    Raises
    ------
    UsageError
        If the file cannot be read, or anything names no setting or has no value of it; with file and line.
    """
    from pydantic_settings import EnvSettingsSource

    env = dict(os.environ if environ is None else environ)
    path = config_file(env)
    text = _text(path, named="STOPWRIGHT_CONFIG" in env)
    values, places = _from_file(path, text)
    strangers = [name for name in env if name.startswith(PREFIX) and name not in _OTHERS and _field(name) is None]
    if strangers:
        raise UsageError(_unknown(f"environment: {strangers[0]}", _field_name(strangers[0])))
    given = EnvSettingsSource(Config, env_prefix=PREFIX, case_sensitive=False)
    given.env_vars = {name.lower(): value for name, value in env.items() if value.strip()}
    try:
        told = given()
    except Exception as error:  # a list that is no JSON
        raise UsageError(f"environment: {error}. Write lists as JSON: STOPWRIGHT_NAMES='[\"rig.local\"]'") from None
    for name, value in told.items():
        values[name], places[name] = value, f"environment {PREFIX}{name.upper()}"
    for name, value in (options or {}).items():
        if value is not None:
            values[name], places[name] = value, f"option --{name.replace('_', '-')}"
    try:
        config = Config(**values)
    except ValidationError as error:
        first = error.errors()[0]
        name = str(first["loc"][0])
        raise UsageError(
            f"{places.get(name, name)}: {name}: found {_shown(values.get(name))}; allowed: {_allowed(name, first)}. "
            "Correct it there; `stopwright config` shows every setting"
        ) from None
    return Loaded(config, {name: places.get(name, "built in") for name in Config.model_fields}, path)


def _text(path: Path, named: bool) -> str:
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        if not named:
            return ""
        raise UsageError(f"STOPWRIGHT_CONFIG {str(path)!r}: found no such file. Check the name") from None
    except OSError as error:
        raise UsageError(f"configuration {str(path)!r}: cannot be read ({error.strerror})") from None
    if len(raw) > _LARGEST:
        raise UsageError(f"configuration {str(path)!r}: found more than {_LARGEST // 1000} kB; it has a few lines")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(
            f"configuration {str(path)!r}: found bytes that are no UTF-8 text at byte {error.start}; save it as UTF-8"
        ) from None


def _from_file(path: Path, text: str) -> tuple[dict[str, Any], dict[str, str]]:
    try:
        tree = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UsageError(f"{path}: {error}. It is TOML: one `name = value` a line, texts in quotes") from None
    places = {name: f"{path}:{_line(text, name)}" for name in tree}
    for name in tree:
        if name not in Config.model_fields:
            raise UsageError(_unknown(places[name], name))
    return tree, places


def _line(text: str, name: str) -> int:
    """The line on which a top-level name of a TOML text stands, from 1."""
    key = rf"\s*\[*\s*(?:{re.escape(name)}|\"{re.escape(name)}\"|'{re.escape(name)}')\s*[=.\]]"
    return next((number for number, line in enumerate(text.splitlines(), 1) if re.match(key, line)), 1)


def _unknown(place: str, name: str) -> str:
    near = difflib.get_close_matches(name, Config.model_fields, 1)
    advice = f" Did you mean {near[0]}?" if near else ""
    return f"{place}: found {name[:60]!r}; allowed: {', '.join(Config.model_fields)}.{advice}"


def _field_name(variable: str) -> str:
    return variable.removeprefix(PREFIX).lower()


def _field(variable: str) -> str | None:
    name = _field_name(variable)
    return name if name in Config.model_fields else None


def _shown(value: Any) -> str:
    return repr(value)[:80]


def _allowed(name: str, error: Any) -> str:
    means = Config.model_fields[name].description if name in Config.model_fields else ""
    return f"{error['msg'].removeprefix('Value error, ')} ({means})"
