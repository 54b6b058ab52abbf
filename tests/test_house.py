"""The house itself: its packages, its rules of import, its documentation."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

import daemon
import hardware_mocks
import plans
from daemon.cli import stopwright
from daemon.commands import demo as demo_module
from plans.reading import demo_brief_text

ROOT = Path(__file__).resolve().parent.parent
TOP = {"README.md", "DEVELOPERS.md", "LICENSE", "Makefile", "pyproject.toml", "uv.lock"} | {
    "daemon",
    "plans",
    "hardware_mocks",
    "tests",
}


def tracked() -> list[str]:
    """The files git knows; the checks on them are skipped where there is no checkout."""
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        pytest.skip("no git checkout")
    done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return done.stdout.split()


def test_the_packages_imported_are_this_project_s_own() -> None:
    # Another distribution installs a top-level package of the name daemon.
    for package in (daemon, plans, hardware_mocks):
        assert Path(package.__file__ or "").resolve().is_relative_to(ROOT), package


def test_the_top_level_holds_only_what_it_should() -> None:
    names = {name.partition("/")[0] for name in tracked()}
    assert {name for name in names if not name.startswith(".")} == TOP


def test_no_file_names_a_place_on_somebody_s_machine() -> None:
    pattern = re.compile(r"(^|[^A-Za-z0-9_.])/(home|root|work|Users)/[a-z]")
    found = []
    for name in tracked():
        if name == "uv.lock" or not (ROOT / name).is_file():
            continue
        text = (ROOT / name).read_bytes().decode("utf-8", "ignore")
        found += [f"{name}: {line}" for line in text.splitlines() if pattern.search(line) and "re.compile" not in line]
    assert found == []


@pytest.mark.parametrize(
    ("where", "line"),
    [
        ("plans/motion.py", "import threading"),
        ("plans/motion.py", "import daemon.clock"),
        ("daemon/clock.py", "import hardware_mocks.marks"),
        ("daemon/clock.py", "import gphoto2"),
        ("hardware_mocks/marks.py", "import gphoto2"),
    ],
)
def test_an_import_against_the_rules_is_caught(tmp_path: Path, where: str, line: str) -> None:
    for package in ("daemon", "plans", "hardware_mocks"):
        shutil.copytree(ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    broken = tmp_path / where
    broken.write_text(broken.read_text() + f"\n{line}\n")
    tool = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([str(tool), "--no-cache"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "BROKEN" in done.stdout


def test_a_clock_read_outside_its_module_is_caught(tmp_path: Path) -> None:
    stray = tmp_path / "daemon" / "stray.py"
    stray.parent.mkdir()
    stray.write_text('"""Stray."""\n\nimport time\n\nprint(time.monotonic())\n')
    tool = Path(sys.executable).with_name("ruff")
    words = [str(tool), "check", "--config", str(ROOT / "pyproject.toml"), str(stray)]
    done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "TID251" in done.stdout


def test_readme_names_every_command_and_the_guide_shows_the_demo_brief_as_shipped() -> None:
    readme = (ROOT / "README.md").read_text()
    for name in stopwright.commands or stopwright.list_commands(None):  # type: ignore[arg-type]
        assert f"`stopwright {name}" in readme, name
    guide = (ROOT / "daemon" / "guide" / "brief.md").read_text()
    shown = re.search(r"```yaml\n(.*?)```", guide, re.DOTALL)
    assert shown is not None
    assert shown[1] == demo_brief_text()


def test_every_link_in_the_documentation_leads_somewhere() -> None:
    for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "daemon" / "guide").glob("*.md")]:
        for target in re.findall(r"\]\(([^)#]+)", page.read_text()):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_the_demo_s_brief_is_plain_yaml_of_a_fountain() -> None:
    tree = yaml.safe_load(demo_brief_text())
    assert set(tree["scene"]["subjects"]) == {"spout", "heron", "hedge"}
    assert demo_module.DEMO_STORE.parts[0] in (ROOT / ".gitignore").read_text()
