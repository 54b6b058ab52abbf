"""The side-by-side page in a real browser: offline, with keys, with touch, for eyes and for screen readers."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from support_teaching import made_report, picture

from daemon.lesson import lesson_of
from daemon.pictures.teaching.clean import jpeg_bytes
from daemon.pictures.teaching.shapes import Lesson, whole_line
from daemon.pictures.teaching.side_by_side import side_by_side

CHROMIUM = Path("/usr/bin/chromium")
DESKTOP, PHONE = {"width": 1366, "height": 768}, {"width": 360, "height": 740}
HOSTILE = "</script><script>window.hit=1</script><img src=x onerror='window.hit=1'>"

pytestmark = pytest.mark.skipif(not CHROMIUM.exists(), reason="no Chromium here: the page is looked at in none")


@pytest.fixture(scope="module")
def lesson(tmp_path_factory: pytest.TempPathFactory) -> Lesson:
    return lesson_of(made_report(tmp_path_factory.mktemp("run"), missing=1))


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield opened
        opened.close()


def written(lesson: Lesson, folder: Path) -> str:
    """The page of a lesson as a file; its address."""
    jpegs = {frame.number: jpeg_bytes(picture(frame.step, 240, 160)) for frame in lesson.frames if frame.source}
    (folder / "page.html").write_text(side_by_side(lesson, jpegs), encoding="utf-8")
    return (folder / "page.html").as_uri()


@pytest.fixture
def address(lesson: Lesson, tmp_path: Path) -> str:
    return written(lesson, tmp_path)


def opened(browser: Any, address: str, size: dict[str, int], **more: Any) -> tuple[Any, list[str]]:
    """The page, and what it complained of or asked for beyond its own file."""
    context = browser.new_context(viewport=size, **more)
    context.set_default_timeout(8000)
    page = context.new_page()
    told: list[str] = []
    page.on("console", lambda message: told.append(message.text))
    page.on("pageerror", lambda error: told.append(str(error)))
    page.on("request", lambda one: told.append(one.url) if one.url != address and one.url[:5] != "data:" else None)
    page.goto(address)
    return page, told


def transform(page: Any, side: str) -> str:
    return str(page.eval_on_selector(f"#{side} img", "node => node.style.transform"))


@pytest.mark.parametrize("size", [DESKTOP, PHONE])
def test_the_page_works_alone_and_fits_the_screen(browser: Any, address: str, size: dict[str, int]) -> None:
    page, told = opened(browser, address, size)
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    page.wait_for_function("[...document.querySelectorAll('.pane img')].every(i => i.complete)")
    shown = page.evaluate("[...document.querySelectorAll('.pane img')].map(i => i.naturalWidth)")
    assert shown == [240, 240]
    small = page.evaluate(
        "[...document.querySelectorAll('button,select')].map(b => b.getBoundingClientRect())"
        ".filter(r => r.height < 44 || r.width < 44).length"
    )
    assert small == 0  # a finger's width, 44 px: WCAG 2.1, success criterion 2.5.5
    assert told == []
    page.context.close()


def test_any_two_pictures_can_be_laid_side_by_side_wiped_and_flipped(
    browser: Any, address: str, lesson: Lesson
) -> None:
    page, _ = opened(browser, address, DESKTOP)
    first, last = lesson.frames[0], lesson.frames[-2]
    page.select_option("#left-pick", "0")
    page.select_option("#right-pick", str(len(lesson.frames) - 2))
    assert whole_line(first.step.settings) in page.inner_text("#left-title")
    assert whole_line(last.step.settings) in page.inner_text("#right-title")
    page.click("#wipe")
    page.fill("#wipebar", "30")
    assert "30%" in page.eval_on_selector("#right", "node => node.style.clipPath")
    box = page.locator("#left").bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + 50)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.8, box["y"] + 50)
    page.mouse.up()
    assert abs(float(page.input_value("#wipebar")) - 80) <= 1
    page.click("#flip")
    assert page.is_visible("#right img") and not page.is_visible("#left img")
    page.click("#flip")
    assert page.is_visible("#left img") and not page.is_visible("#right img")
    page.context.close()


def test_a_pinned_reference_stays_and_without_it_both_go_on(browser: Any, address: str) -> None:
    page, _ = opened(browser, address, DESKTOP)
    left, right = page.input_value("#left-pick"), page.input_value("#right-pick")
    page.keyboard.press("ArrowRight")
    assert page.input_value("#left-pick") == left
    assert page.input_value("#right-pick") != right
    page.keyboard.press("p")
    page.keyboard.press("ArrowRight")
    assert page.input_value("#left-pick") != left
    page.context.close()


def test_both_pictures_are_magnified_and_moved_in_step(browser: Any, address: str) -> None:
    page, _ = opened(browser, address, DESKTOP)
    whole = transform(page, "left")
    page.click("#closer")
    page.click("#closer")
    assert page.inner_text("#times") == "2×"
    assert transform(page, "left") == transform(page, "right") != whole
    before = transform(page, "left")
    page.focus("#stage")
    page.keyboard.press("ArrowRight")
    assert transform(page, "left") == transform(page, "right") != before
    page.keyboard.press("0")
    assert transform(page, "left") == transform(page, "right") == whole
    page.context.close()


def test_hidden_settings_are_nowhere_to_be_read_or_heard(browser: Any, address: str, lesson: Lesson) -> None:
    page, _ = opened(browser, address, DESKTOP)

    def leaks() -> list[str]:
        heard = page.evaluate(
            "document.body.innerText + [...document.querySelectorAll('[aria-label],[alt],optgroup,option')].filter("
            "n => !n.closest('.hidden')).map(n => [n.getAttribute('aria-label'), n.alt, n.label, n.textContent]).join()"
        )
        marks = {frame.step.settings.aperture.mark for frame in lesson.frames}
        marks |= {frame.step.settings.time.mark + " s" for frame in lesson.frames}
        return [mark for mark in sorted(marks) if mark in heard]

    assert leaks()  # the control: they are there before
    page.keyboard.press("h")
    assert leaks() == []
    page.keyboard.press("h")
    assert leaks()
    page.context.close()


def test_stop_bars_are_told_by_pattern_and_letter_and_read_aloud(browser: Any, address: str, lesson: Lesson) -> None:
    page, _ = opened(browser, address, DESKTOP)
    fills = page.eval_on_selector_all(
        "#barpicture .drawn rect[fill^=url]", "nodes => nodes.map(n => n.getAttribute('fill'))"
    )
    assert {"url(#aperture)", "url(#time)", "url(#iso)", "url(#filters)"} == set(fills)
    said = page.get_attribute("#barpicture", "aria-label")
    assert said.count("aperture f/") == 2 and "ends" in said
    assert page.eval_on_selector_all("#barpicture .drawn line", "nodes => nodes.length") == 1
    page.context.close()


def test_touch_flips_and_wipes(browser: Any, address: str) -> None:
    page, _ = opened(browser, address, PHONE, has_touch=True, is_mobile=True)
    page.tap("#flip")
    page.evaluate("scrollTo(0, 0)")
    box = page.locator("#stage").bounding_box()
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert not page.is_visible("#left img")
    page.touchscreen.tap(*middle)
    assert page.is_visible("#left img") and not page.is_visible("#right img")
    page.context.close()


def test_a_missing_picture_says_so(browser: Any, address: str, lesson: Lesson) -> None:
    page, _ = opened(browser, address, DESKTOP)
    empty = next(place for place, frame in enumerate(lesson.frames) if frame.source is None)
    page.select_option("#right-pick", str(empty))
    assert "not taken" in page.inner_text("#right")
    assert not page.is_visible("#right img")
    page.context.close()


def test_a_hostile_title_does_not_run(browser: Any, lesson: Lesson, tmp_path: Path) -> None:
    groups = tuple(
        replace(
            group,
            title=HOSTILE,
            frames=tuple(replace(frame, caption=HOSTILE, verdict=HOSTILE) for frame in group.frames),
        )
        for group in lesson.groups
    )
    page, told = opened(browser, written(replace(lesson, title=HOSTILE, groups=groups), tmp_path), DESKTOP)
    assert page.evaluate("window.hit") is None
    assert HOSTILE in page.inner_text("h1")
    assert HOSTILE in page.inner_text("#left-text")
    assert told == []
    page.context.close()
    # The control: written into a page as markup the same text runs.
    (tmp_path / "naive.html").write_text(f"<h1>{HOSTILE}</h1>")
    page, _ = opened(browser, (tmp_path / "naive.html").as_uri(), DESKTOP)
    assert page.evaluate("window.hit") == 1
    page.context.close()


def test_the_policy_stops_a_script_that_is_not_the_page_s_own(browser: Any, lesson: Lesson, tmp_path: Path) -> None:
    address = written(lesson, tmp_path)
    file = tmp_path / "page.html"
    file.write_text(file.read_text().replace("</main>", "</main><script>window.hit=1</script>"))
    page, told = opened(browser, address, DESKTOP)
    assert page.evaluate("window.hit") is None
    assert any("Content Security Policy" in one for one in told)
    page.context.close()


def test_the_page_has_no_faults_that_axe_finds(browser: Any, address: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    for size in (DESKTOP, PHONE):
        page, _ = opened(browser, address, size, bypass_csp=True)
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        page.context.close()


def test_pictures_in_the_page_are_its_own_and_have_no_exif(lesson: Lesson, tmp_path: Path) -> None:
    import base64

    written(lesson, tmp_path)
    text = (tmp_path / "page.html").read_text()
    assert not re.findall(r"""(?:src|href)=["'](?!data:)[^"']""", text)
    parts = re.findall(r"data:image/jpeg;base64,([A-Za-z0-9+/=]+)", text)
    assert len(parts) == sum(frame.source is not None for frame in lesson.frames)
    for part in parts:
        with Image.open(io.BytesIO(base64.b64decode(part))) as image:
            assert not image.getexif()
