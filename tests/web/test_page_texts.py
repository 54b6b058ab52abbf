"""The catalogue of text and what is sent without a right; no browser is needed."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

from support_service import BRACKET, served
from support_simulator import simulated_camera

from daemon.feed import Kind
from daemon.web import pages

STATIC = Path(pages.__file__).parent / "static"


def asked_for(script: str) -> set[tuple[str, str]]:
    """(section, name) of every text that a script names."""
    found = set(re.findall(r"\bwords\.(\w+)\.(\w+)", script))
    if own := re.search(r"const t = words\.(\w+)", script):
        found |= {(own[1], name) for name in re.findall(r"(?<![\w.])t\.(\w+)", script)}
    return found


def missing(script: str) -> list[str]:
    return [f"{part}.{name}" for part, name in asked_for(script) if name not in pages.texts().get(part, {})]


def test_every_text_that_a_script_names_is_in_the_catalogue() -> None:
    scripts = {path.name: path.read_text(encoding="utf-8") for path in STATIC.glob("*.js")}
    assert sum(len(asked_for(script)) for script in scripts.values()) > 100
    assert {name: lacks for name, script in scripts.items() if (lacks := missing(script))} == {}
    assert missing("const t = words.plan; t.nothing; words.now.nothing") != []


def test_shells_name_no_other_host_and_carry_no_script_or_style_of_their_own() -> None:
    for screen in pages.SCREENS:
        html = pages.shell(screen)
        assert re.findall(r"(?:src|href)=\"(?:https?:)?//", html) == []
        assert re.findall(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son\w+=", html) == []
    for name, content in pages.assets().items():
        outside = re.sub(rb"http://www\.w3\.org/2000/svg", b"", content)  # the name of SVG, never asked for
        assert b"://" not in outside, name


def test_a_resumed_run_is_ended_by_the_service_as_the_first_one_was(tmp_path: Path) -> None:
    with simulated_camera(timing="instant") as simulator:
        for first in (True, False):
            with served(tmp_path, "--camera", simulator.camera) as service:
                if first:
                    service.shoot("twice", BRACKET)
                else:
                    service.post("/api/runs/last/resume", {"id": "again", "operator": "page"}, 201)
                service.until(lambda state: state["asking"])
                assert service.end(within_s=20) == 0


def test_the_page_listens_to_every_kind_of_event():
    listened = (STATIC / "live.js").read_text().partition("const KINDS = [")[2].partition("]")[0]
    # "step" and "frame" stand for what is in the record as steps and frames.
    assert set(re.findall(r'"([a-z-]+)"', listened)) >= set(get_args(Kind)) - {"step-started", "frame-kept"}
