"""The debrief's page in a real browser: offline, quiet, by keyboard, and for everybody.

Chromium is the reference; accessibility is checked by axe-core (Deque Systems), which tests WCAG 2.1.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from shutil import which
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from listener.storage.case_reader import open_case
from tests.support.needs import program
from tests.support.stored_cases import DRILL, store
from tui.cli import main
from tui.pages.debrief.groups import ListedCase
from tui.pages.debrief.html import as_html
from tui.pages.debrief.many_cases import ManyCases
from tui.pages.debrief.notes import DebriefNote
from tui.pages.debrief.one_case import CaseDebrief
from tui.pages.debrief.summary import summary_of

CHROMIUM = which("chromium")
pytestmark = [pytest.mark.slow, program("chromium")]


@dataclass
class Opened:
    """A page with what the browser said and asked for meanwhile."""

    page: Page
    console: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as tools:
        opened = tools.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One case with its sound, and several cases."""
    place = tmp_path_factory.mktemp("cases")
    stored = open_case(store(place, sound=True))
    notes = [DebriefNote(20.0, "<img src=x onerror=alert(1)>", "")]
    one = place / "one.html"
    one.write_text(as_html(CaseDebrief(stored, notes, sound=True).debrief()), encoding="utf-8")
    folders = [store(place / "team", days=days) for days in (0, 30, 60)]
    folders.append(store(place / "other", (*DRILL[:6], DRILL[-1]), days=45))
    told = [ListedCase(summary_of(open_case(f)), f.parent.name, f) for f in folders]
    many = place / "many.html"
    together = ManyCases(told, {"broken": "cannot be read"}, date(2026, 2, 1))
    many.write_text(as_html(together.debrief()), encoding="utf-8")
    return {"one": one, "many": many}


@pytest.fixture(params=["one", "many"])
def file(request: pytest.FixtureRequest, pages: dict[str, Path]) -> Path:
    found: Path = pages[request.param]
    return found


def shown(browser: Browser, file: Path, **options: Any) -> Opened:
    page = browser.new_page(**options)
    opened = Opened(page)
    page.on("console", lambda said: opened.console.append(said.text))
    page.on("pageerror", lambda error: opened.console.append(str(error)))
    page.on("request", lambda asked: opened.requests.append(asked.url))
    page.goto(file.as_uri())
    return opened


def test_nothing_leaves_and_the_console_stays_silent(browser: Browser, file: Path) -> None:
    opened = shown(browser, file)
    opened.page.wait_for_timeout(300)
    outside = [url for url in opened.requests if not url.startswith(("data:", "blob:"))]
    assert outside == [file.as_uri()]
    assert opened.console == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_axe_finds_nothing_serious(browser: Browser, file: Path, scheme: str, width: int) -> None:
    from axe_playwright_python.sync_playwright import Axe

    size = {"width": width, "height": 900}
    context = browser.new_context(color_scheme=scheme, viewport=size, bypass_csp=True)  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(file.as_uri())
    for details in page.query_selector_all("details")[:3]:
        details.evaluate("one => one.open = true")
    found = Axe().run(page).response["violations"]
    told = [(v["id"], v["impact"], v["nodes"][0]["html"]) for v in found]
    assert [each for each in told if each[1] in ("serious", "critical")] == []
    context.close()


@pytest.mark.parametrize("width", [1280, 390])
def test_the_page_never_scrolls_sideways(browser: Browser, file: Path, width: int) -> None:
    page = shown(browser, file, viewport={"width": width, "height": 800}).page
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_every_link_has_its_place(browser: Browser, file: Path) -> None:
    page = shown(browser, file).page
    dead = page.evaluate(
        "[...document.querySelectorAll('a')].map(a => a.getAttribute('href'))"
        ".filter(h => !h.startsWith('#') || !document.getElementById(h.slice(1)))"
    )
    assert dead == []


NUMBERS = (
    ".headline dd, header .about > span, main td, figure div.note, .found,"
    " .scroll > svg a, ol.items > li.urgent"
)
"""Wherever a page tells numbers, but for its log, which is the facts, and the reasons of damaged cases."""


def test_every_number_leads_back_to_its_facts(browser: Browser, file: Path) -> None:
    page = shown(browser, file).page
    bare = page.evaluate(
        """selector => [...document.querySelectorAll(selector)]
        .filter(one => !one.closest('table.log, section[aria-labelledby=damaged]'))
        .filter(one => /[0-9]/.test(one.textContent))
        .filter(one => !one.closest('a') && !one.querySelector('a'))
        .map(one => one.closest('tr, div, p').textContent.trim())""",
        NUMBERS,
    )
    assert bare == []


def test_every_link_is_followed_to_a_moment_and_its_words(browser: Browser, file: Path) -> None:
    """Not only somewhere: to a line with a time, or to a heading; and what is folded unfolds."""
    page = shown(browser, file).page
    hrefs = page.evaluate(
        "[...new Set([...document.querySelectorAll('main a')].map(a => a.getAttribute('href')))]"
    )
    assert len(hrefs) >= 15
    for href in hrefs:
        page.evaluate("href => { location.hash = href }", href)
        found = page.evaluate(
            """() => { const one = document.querySelector(':target');
            return [one.checkVisibility(), one.tagName, one.textContent.trim()]; }"""
        )
        assert found[0], href
        assert found[1] in ("H2", "SUMMARY", "SPAN") or re.match(r"\d+:\d\d", found[2]), href


def test_a_number_of_many_cases_counts_what_then_stands_out(
    browser: Browser, pages: dict[str, Path]
) -> None:
    """ "4 of 8" of a team is three links "1", "2" and "1"; each leads to so many lit lines."""
    page = shown(browser, pages["many"]).page
    numbers = page.evaluate(
        """[...document.querySelectorAll('details:not(.behind)')].map(one => [
            one.querySelector('summary').textContent.trim(),
            [...one.querySelectorAll('a')].map(a => [a.textContent, a.getAttribute('href')])])"""
    )
    checked = 0
    for text, links in numbers:
        whole = 0
        for words, href in links:
            if "-" not in href:
                continue  # to a whole case
            page.evaluate("href => { location.hash = href }", href)
            lit = page.evaluate(
                """() => { const mark = getComputedStyle(document.querySelector(':target')).backgroundColor;
                return [...document.querySelector(':target').closest('details').querySelectorAll('li')]
                .filter(li => getComputedStyle(li).backgroundColor === mark).length; }"""
            )
            assert words.endswith(f": {lit}"), (text, words)
            whole += lit
        if re.match(r"\d+( of|$)", text) and "-" in links[0][1]:
            assert whole == int(text.split()[0])
            checked += 1
    assert checked > 20


def test_the_words_behind_a_number_are_the_team_s_own(
    browser: Browser, pages: dict[str, Path]
) -> None:
    page = shown(browser, pages["many"]).page
    page.goto(f"{pages['many'].as_uri()}#c1-closed")
    lines = page.locator(".behind[open] li.closed").all_inner_texts()
    assert any(
        line.startswith(
            "00:10 “drugs nurse give ketamine ninety milligrams” · 00:16 “ketamine ninety"
        )
        for line in lines
    )


def test_the_keyboard_alone_leads_from_a_number_to_its_fact(browser: Browser, file: Path) -> None:
    page = shown(browser, file).page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    for _ in range(80):  # the first places may lead somewhere at once, or play a sound
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.tagName") == "SUMMARY":
            break
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    href = page.evaluate("document.activeElement.getAttribute('href')")
    assert re.match("#f[0-9]+$|#c[0-9]+-clean$", href)
    page.keyboard.press("Enter")
    assert page.evaluate("document.querySelector(':target').id") == href[1:]
    assert page.evaluate("document.querySelector(':target').checkVisibility()")


def test_a_moment_s_sound_plays_in_the_page(browser: Browser, pages: dict[str, Path]) -> None:
    page = shown(browser, pages["one"]).page
    length = page.evaluate(
        """async () => {
            const sound = document.querySelector('audio');
            sound.preload = 'auto';
            sound.load();
            await new Promise((done, failed) => {
                sound.oncanplay = done; sound.onerror = () => failed(sound.error.message);
            });
            return sound.duration;
        }"""
    )
    assert 1 < length < 21


def test_what_people_said_is_shown_and_never_run(browser: Browser, pages: dict[str, Path]) -> None:
    page = shown(browser, pages["one"]).page
    assert page.evaluate("document.querySelectorAll('script, img').length") == 0
    assert "<script>alert(1)</script> & a mark" in page.inner_text("main")
    assert "<img src=x onerror=alert(1)>" in page.inner_text("main")


def test_it_prints_on_pages_without_controls(browser: Browser, file: Path) -> None:
    page = shown(browser, file).page
    assert page.pdf(format="A4").startswith(b"%PDF")
    page.emulate_media(media="print")
    visible = "[...document.querySelectorAll('audio, nav')].filter(e => e.checkVisibility()).length"
    assert page.evaluate(visible) == 0


def test_the_command_writes_the_page(tmp_path: Path) -> None:
    folder = store(tmp_path)
    assert main(["debrief", str(folder), "--html", str(tmp_path / "page.html")]) == 0
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Content-Security-Policy" in text
    assert "not a medical device" in text
    assert "http" not in text.replace("http-equiv", "")
