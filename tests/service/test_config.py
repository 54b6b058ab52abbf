"""Configuration: what is in force, where it came from, and what is wrong with it, by line."""

from __future__ import annotations

from pathlib import Path

import pytest
from support_run import command, json_of

from daemon.config import Config, load
from daemon.errors import UsageError


def environ(folder: Path, text: str | None = None, **more: str) -> dict[str, str]:
    if text is not None:
        (folder / "config.toml").write_text(text)
        more["STOPWRIGHT_CONFIG"] = str(folder / "config.toml")
    return {"HOME": str(folder), **more}


def test_an_option_wins_over_the_environment_which_wins_over_the_file_which_wins_over_what_is_built_in(tmp_path: Path):
    told = environ(
        tmp_path, "port = 1001\npatience_s = 7\nlan = true\n", STOPWRIGHT_PORT="1002", STOPWRIGHT_LAN="false"
    )
    loaded = load(told, {"lan": True, "host": None})
    assert (loaded.config.port, loaded.config.patience_s, loaded.config.lan) == (1002, 7, True)
    assert loaded.config.host == Config.model_fields["host"].default
    assert loaded.origins["port"] == "environment STOPWRIGHT_PORT"
    assert loaded.origins["patience_s"] == f"{tmp_path}/config.toml:2"
    assert loaded.origins["lan"] == "option --lan"
    assert loaded.origins["host"] == "built in"


@pytest.mark.parametrize(
    ("text", "line", "told"),
    [
        ("port = 1\n\nprot = 2\n", 3, "Did you mean port?"),
        ('# port\n"prot" = 2\n', 2, "Did you mean port?"),
        ("[service]\nport = 2\n", 1, "allowed: store"),
        ("port = 1\nlatitude = 91\n", 2, "latitude: found 91"),
        ('port = "many"\n', 1, "found 'many'"),
        ('lan = false\ntimezone = "Europe/Garden"\n', 2, "no time zone of this name"),
    ],
)
def test_what_is_wrong_in_the_file_is_told_with_its_line(tmp_path: Path, text: str, line: int, told: str) -> None:
    with pytest.raises(UsageError) as error:
        load(environ(tmp_path, text))
    assert str(error.value).startswith(f"{tmp_path}/config.toml:{line}: ")
    assert told in str(error.value)


def test_a_file_that_is_no_toml_and_one_that_is_not_there_are_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"line 1, column 6"):
        load(environ(tmp_path, "port 1\n"))
    with pytest.raises(UsageError, match="no such file"):
        load(environ(tmp_path, None, STOPWRIGHT_CONFIG=str(tmp_path / "none.toml")))
    assert load(environ(tmp_path)).config == load({"HOME": str(tmp_path)}).config  # by default it need not be there


def test_a_misspelt_variable_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"STOPWRIGHT_PROT.*Did you mean port\?"):
        load(environ(tmp_path, None, STOPWRIGHT_PROT="1"))
    load(environ(tmp_path, None, STOPWRIGHT_DEBUG="1", STOPWRIGHT_STORE="x"))  # read elsewhere, too


def test_the_command_prints_every_setting_with_its_place(tmp_path: Path) -> None:
    (tmp_path / ".config" / "stopwright").mkdir(parents=True)
    (tmp_path / ".config" / "stopwright" / "config.toml").write_text("port = 1003\n")
    told = json_of(command("config", "--json", home=tmp_path))["settings"]
    assert set(told) == set(Config.model_fields)
    assert told["port"]["value"] == 1003
    assert told["port"]["from"].endswith("config.toml:1")
    assert told["host"]["from"] == "built in"
    shown = command("config", home=tmp_path).stdout
    assert all(name in shown for name in Config.model_fields)
