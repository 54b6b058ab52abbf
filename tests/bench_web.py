"""Figures of the field page: weight of the first page, time until it can be used on a slow processor, event to screen,
and a logbook page of a record of 100,000 frames on the server.

Bars: 100 kB before pictures, 1 s on a processor slowed four times, 200 ms from event to screen, 100 ms on the server.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from bench_service import fill
from playwright.sync_api import Page
from support_browser import READY, browser, let_in
from support_service import BRACKET, Served, served
from support_simulator import simulated_camera

SLOWER, TIMES = 4, 5

# When the first row of a changed state is on the screen, by the page's own clock since 1970. [ms]
_SEES = """() => { window.seen = []; new MutationObserver(() => requestAnimationFrame(() =>
  window.seen.push([performance.timeOrigin + performance.now(), document.getElementById('what').textContent])))
  .observe(document.getElementById('what'), { childList: true, characterData: true, subtree: true }); }"""


def weight(page: Page, service: Served) -> dict[str, int]:
    """Bytes of everything that the first page fetches before pictures, as they come over the wire. [B]"""
    sizes: dict[str, int] = {}
    page.on("response", lambda answer: sizes.__setitem__(answer.url.rpartition("/")[2] or "/", _size(answer)))
    page.goto(service.url + "/")
    page.wait_for_selector(READY)
    page.wait_for_selector("html[data-link=there]")
    return {name: size for name, size in sizes.items() if not name.startswith("preview")}


def _size(answer: Any) -> int:
    told = answer.headers.get("content-length")
    return int(told) if told else 0  # the stream of events has no length and no end


def ready_ms(page: Page, service: Served) -> float:
    """From the start of loading until the page answers presses, on a slowed processor; caches empty. [ms]"""
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    session.send("Network.setCacheDisabled", {"cacheDisabled": True})
    session.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
    found = []
    for _ in range(TIMES):
        page.goto(service.url + "/", wait_until="commit")
        page.wait_for_selector(READY)
        found.append(float(page.evaluate("performance.getEntriesByName('ready')[0].startTime")))
    session.send("Emulation.setCPUThrottlingRate", {"rate": 1})
    session.detach()
    return statistics.median(found)


def event_ms(page: Page, service: Served, run: int) -> float:
    """From sending an answer or a cue until the page shows it: command, runner, event and screen together. [ms]"""
    page.evaluate(_SEES)
    found = []
    for count in range(TIMES):
        wanted = "Waiting for the cue"
        before = len(page.evaluate("window.seen"))
        asking = service.state()["asking"]
        sent = time.time() * 1000
        data: dict[str, Any] = {"question": asking["id"], "answer": asking["choices"][0]}
        verb = "cue" if asking["kind"] == "cue" else "answer"
        tree = {"id": f"e{count}", "verb": verb, "data": {} if verb == "cue" else data}
        service.post(f"/api/runs/{run}/commands", tree)
        page.wait_for_function(f"() => window.seen.length > {before}")
        found.append(float(page.evaluate(f"window.seen[{before}][0]")) - sent)
        service.until(lambda state: (state["asking"] or {}).get("kind") == "cue")
        page.wait_for_function(f"() => document.getElementById('what').textContent === '{wanted}'")
    return statistics.median(found)


def measure() -> dict[str, Any]:
    """All figures."""
    with tempfile.TemporaryDirectory() as name, browser() as chromium, simulated_camera(timing="instant") as camera:
        home = Path(name)
        fill(home / "Stopwright")
        with served(home, "--camera", camera.camera) as service:
            pages = []
            base = "/api/runs/1/frames?limit=48"
            for path in (f"{base}&role=picture", f"{base}&after=90000", "/logbook", "/api/runs/1"):
                times = []
                for _ in range(TIMES):
                    began = time.perf_counter()
                    assert service.client.get(path).status_code == 200
                    times.append((time.perf_counter() - began) * 1000)
                pages.append(round(statistics.median(times), 1))
            page = let_in(chromium, service)
            sizes = weight(page, service)
            ready = ready_ms(page, service)
            goals = BRACKET.replace("count: 3", "count: 9")
            run = service.shoot("bench", goals, manners={"cue": True})
            service.until(lambda state: state["asking"])
            page.goto(service.url + "/")
            page.wait_for_selector("html[data-link=there]")
            event = event_ms(page, service, run)
    return {
        "first page before pictures [B]": sum(sizes.values()),
        "by file [B]": sizes,
        f"ready at 1/{SLOWER} of the processor [ms]": round(ready),
        "event to screen [ms]": round(event),
        "logbook: first page, deep page, shell, the long run itself [ms]": pages,
    }


if __name__ == "__main__":
    print(json.dumps(measure(), indent=2))
