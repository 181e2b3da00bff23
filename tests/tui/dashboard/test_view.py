"""A second screen follows a running case, in a terminal or a browser, and changes nothing."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from importlib.resources import files
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

from grammar.case.facts import CaseEnded, CaseStarted, Noted
from listener.storage.case_follower import PERIOD_S, CaseFollower
from listener.storage.case_lock import CaseLock
from listener.storage.journal import Journal
from tests.support.needs import program
from tests.support.places import ROOT
from tui.cli import main
from tui.dashboard.case_view import dashboard

COMMAND = [sys.executable, "-c", "import sys; from tui.cli import main; sys.exit(main())"]


def wall() -> datetime:
    return datetime.now().astimezone()


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Journal]:
    """A case that is being heard, 20 s old, its latest fact still in SQLite's log."""
    text = (files("grammar.protocol") / "shipped" / "isolation-airway.toml").read_text(
        encoding="utf-8"
    )
    journal = Journal.create(tmp_path, "isolation-airway", text, began=wall())
    here = CaseLock(journal.folder)
    journal.append_next(
        CaseStarted(wall=wall().isoformat(), protocol="isolation-airway", source="a test")
    )
    journal.append_next(Noted(t=0.0, text="the first note"))
    yield journal
    journal.close()
    here.release()


def contents(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {
        path.name: (path.read_bytes(), path.stat().st_mtime_ns)
        for path in folder.iterdir()
        if not path.name.endswith("-shm")  # the writer's own, of no lasting content
    }


def test_a_new_fact_is_seen_within_a_second_and_nothing_is_written(running: Journal) -> None:
    before = contents(running.folder)
    following = CaseFollower(running.folder, wall)
    following.start()
    time.sleep(1)
    assert contents(running.folder) == before
    running.append_next(Noted(t=1.5, text="the second note"))
    assert PERIOD_S < 0.5  # it looks so often; a busy machine may take longer to look
    until = time.monotonic() + 20
    while len(following.case.facts) < 3 and time.monotonic() < until:
        time.sleep(0.02)
    following.stop()
    assert [line.text for line in following.case.view(2).log][-1] == "the second note"


def test_the_clock_goes_on_while_the_case_is_heard_and_stands_when_it_has_ended(
    running: Journal,
) -> None:
    following = CaseFollower(running.folder, wall)
    first = following.now()
    time.sleep(0.3)
    assert following.now() > first
    running.append_next(CaseEnded(t=30))
    following.look()
    assert following.now() == 30


async def test_the_screen_shows_the_case_and_says_when_nobody_hears_it(tmp_path: Path) -> None:
    from tests.support.screens import shown_text

    text = (files("grammar.protocol") / "shipped" / "isolation-airway.toml").read_text(
        encoding="utf-8"
    )
    journal = Journal.create(tmp_path, "isolation-airway", text, began=wall())
    journal.append_next(CaseStarted(wall=wall().isoformat(), protocol="isolation-airway"))
    journal.append_next(Noted(t=0.5, text="a note from the room"))
    journal.close()
    app = dashboard(CaseFollower(journal.folder, wall))
    async with app.run_test(size=(120, 30)) as pilot:
        await pilot.pause(0.5)
        shown = shown_text(app)
    assert "a note from the room" in shown
    assert "nobody hears this case now" in shown


def test_without_a_terminal_it_says_so(
    running: Journal, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["view", str(running.folder)]) == 2
    assert "--serve" in capsys.readouterr().err


# ---------------------------------------------------------------------- in a browser


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """The address of the case in a browser."""
    server = subprocess.Popen(
        [*COMMAND, "view", str(folder), "--serve"],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert server.stderr is not None
    try:
        line = server.stderr.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+/\?key=\S+", line)
        assert found, line
        yield found[0]
    finally:
        server.terminate()
        server.wait(timeout=20)


def answer(address: str, **headers: str) -> int:
    request = urllib.request.Request(address, headers=headers)
    for _ in range(50):
        try:
            with urllib.request.urlopen(request, timeout=5) as response:
                return int(response.status)
        except urllib.error.HTTPError as refused:
            return refused.code
        except urllib.error.URLError:
            time.sleep(0.1)
    raise AssertionError(address)


@pytest.mark.slow
def test_nobody_gets_in_without_the_key_or_from_another_page(running: Journal) -> None:
    with served(running.folder) as address:
        bare = address.partition("?")[0]
        assert answer(address) == 200
        assert answer(bare) == 403
        assert answer(f"{bare}?key=guess") == 403
        assert answer(f"{bare}ws") == 403
        assert answer(address, Origin="http://elsewhere.example") == 403
        assert answer(address, Host="elsewhere.example") == 403


@pytest.mark.slow
@program("chromium")
def test_a_browser_shows_the_dashboard_and_asks_nobody_else(running: Journal) -> None:
    before = set(contents(running.folder))
    with served(running.folder) as address, sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        page = browser.new_page(viewport={"width": 1200, "height": 800})
        asked: list[str] = []
        drawn: list[bytes] = []
        errors: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on(
            "websocket",
            lambda socket: socket.on("framereceived", lambda data: drawn.append(as_bytes(data))),
        )
        page.goto(address)
        page.wait_for_selector("body.-first-byte", timeout=30_000)
        running.append_next(Noted(t=3, text="seen in the browser"))
        page.wait_for_timeout(2500)
        shot = page.screenshot()
        browser.close()
    text = re.sub(rb"\x1b\[[0-9;?]*[a-zA-Z]", b"", b"".join(drawn))
    assert b"the first note" in text
    assert b"seen in the browser" in text
    assert len(set(shot)) > 100
    origin = address.partition("/?")[0]
    assert errors == []
    assert all(url.startswith((origin, "data:")) for url in asked), asked
    assert set(contents(running.folder)) == before


def as_bytes(data: str | bytes) -> bytes:
    return data if isinstance(data, bytes) else data.encode()
