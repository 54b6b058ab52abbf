"""A real Chromium for tests of the page: started, let in, and asked about what it shows."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright
from support_service import Served

from hardware_mocks.server import Simulator

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
SIZES = ((360, 740), (768, 1024), (1440, 900), (1920, 1080))
READY = "html[data-ready]"


def chromium() -> str | None:
    """Where Chromium is."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


@contextmanager
def browser() -> Iterator[Browser]:
    """Chromium with a profile of its own; the test is skipped where there is none.

    One at a time, and no longer than a module: its driver holds the thread's event loop.
    """
    path = chromium()
    if path is None:
        pytest.skip("no chromium on this machine: the page is not looked at")
    with sync_playwright() as player:
        started = player.chromium.launch(executable_path=path, args=list(FLAGS))
        try:
            yield started
        finally:
            started.close()


@dataclass
class Rig:
    """One service, camera and browser that tests share. Whoever begins a run ends it, or calls `rest`."""

    service: Served
    camera: Simulator
    chromium: Browser

    def rest(self) -> None:
        """Stop what goes on, and hide nothing."""
        self.service.client.put("/api/board", json={"hidden": False})
        if (state := self.service.state())["job"] is not None:
            order = {"id": f"rest-{state['run']}", "verb": "stop"}
            self.service.client.post(f"/api/runs/{state['run']}/commands", json=order)
            self.service.until(lambda state: state["job"] is None)


def let_in(
    browser: Browser,
    service: Served,
    role: str = "control",
    size: tuple[int, int] = SIZES[0],
    path: str = "/",
    **more: Any,
) -> Page:
    """A page of a device of its own, paired by a code after the ``#``; ``page.complaints`` is what goes wrong in it."""
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, has_touch=True, **more)
    page = context.new_page()
    page.set_default_timeout(15_000)
    complaints: list[str] = []
    page.complaints = complaints  # type: ignore[attr-defined]
    code = service.post("/api/pairing", {"role": role})["code"]
    page.goto(f"{service.url}{path}#pair={code}")
    page.wait_for_selector(READY)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda line: complaints.append(line.text) if line.type == "error" else None)
    return page


def open_screen(page: Page, service: Served, path: str) -> None:
    """Go to a screen and wait until its script has begun."""
    page.goto(service.url + path)
    page.wait_for_selector(READY)
    page.wait_for_selector("html[data-link=there]")


# Every text that can be seen: its colour over the first opaque background behind it (WCAG 2.2, relative luminance and
# contrast ratio). SVG text is asked by its fill.
CONTRASTS = """() => {
  const parse = (colour) => (colour.match(/[\\d.]+/g) ?? [0, 0, 0, 0]).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
    .map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, at) => sum + v * [0.2126, 0.7152, 0.0722][at], 0);
  const behind = (node) => { for (let at = node; at; at = at.parentElement) {
    const c = parse(getComputedStyle(at).backgroundColor);
    if (c.length < 4 || c[3] > 0.99) return c; } return [255, 255, 255]; };
  const found = [];
  for (const node of document.querySelectorAll('body *')) {
    const own = [...node.childNodes].some((child) => child.nodeType === 3 && child.textContent.trim());
    if (!own || !node.checkVisibility({ visibilityProperty: true }) || node.closest('svg')) continue;
    const style = getComputedStyle(node), a = light(parse(style.color)), b = light(behind(node));
    found.push([(Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), node.textContent.trim().slice(0, 40)]);
  }
  return found;
}"""

# What can be pressed and is smaller than 48 CSS pixels either way; a box in a label counts as the label.
SMALL_TARGETS = """() => [...document.querySelectorAll('a[href], button, input, select, textarea, summary, label.tick')]
  .filter((node) => node.checkVisibility({ visibilityProperty: true })
    && !node.matches('.skip, .unseen, label.tick input'))
  .map((node) => [node.getBoundingClientRect(), node])
  .filter(([box]) => box.width < 47.9 || box.height < 47.9)
  .map(([box, node]) => `${node.outerHTML.slice(0, 90)} ${box.width}x${box.height}`)"""

SIDEWAYS = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
SHIFTS = """() => { window.shifts = []; new PerformanceObserver((list) => {
  for (const one of list.getEntries())
  if (!one.hadRecentInput) window.shifts.push([one.value,
    one.sources.map((s) => s.node?.id || s.node?.className || s.node?.nodeName).join()]); })
  .observe({ type: 'layout-shift', buffered: false }); }"""
