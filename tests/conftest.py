"""The order of the tests, the account of what was skipped, and the ears that tests listen with."""

from __future__ import annotations

import gc
import os
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from listener.confidence.supervised_sure_ear import ONLY_QUICK
from tests.support.drills import HeardDrills
from tests.support.needs import SHARED, VALIDATORS, reason
from tests.support.sound_card import Card
from tests.support.speech import quick_part

LONGEST = (
    "test_card_in_a_terminal.py",
    "test_team.py",
    "test_people.py",
    "test_team_hearing.py",
    "test_microphone.py",
    "test_slips_of_a_slow_screen.py",
    "test_published_models.py",
    "test_crash.py",
    "test_end_to_end.py",
    "test_acting.py",
    "test_soak.py",
    "test_rescue.py",
    "test_playing.py",
    "test_privacy.py",
    "test_rehear.py",
    "test_prompts.py",
    "test_debrief_page.py",
    "test_doubts_of_the_demo.py",
    "test_training.py",
    "test_cli.py",
    "test_altered.py",
)
"""Files of half a minute or more, the longest first, whether they compute or wait."""

# Tests of what the quick ear tells must not depend on whether the extra `people` is installed; the
# sure ear's own tests ask for it.
os.environ.setdefault(ONLY_QUICK, "quick")

# The tests start the program some hundred times: it is compiled once, also where the machine says never.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# Tests run side by side, a core each. Threads of a matrix product would wait for each other in a loop, and
# take half as much processor time again. numpy reads this when a worker, or a program under test, starts.
for _library in ("OMP", "OPENBLAS"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Card]:
    """A sound card of the test's own, unplugged at its end."""
    found = Card(tmp_path)
    yield found
    found.unplug()


@pytest.fixture(scope="session")
def four_calls(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first four utterances of the quick sample, an order and its read-back among them."""
    return quick_part(tmp_path_factory.mktemp("sound") / "four-calls.wav", 0.0, 16.0)


@pytest.fixture(scope="session")
def heard_drill(tmp_path_factory: pytest.TempPathFactory) -> HeardDrills:
    """Gives a sample drill, by its name, as the quick ear hears it; each is heard once in the run."""
    base = tmp_path_factory.getbasetemp()
    return HeardDrills((base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "heard")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--nothing-skipped",
        action="store_true",
        help="fail where a test is skipped for anything but the shared recordings and npm's package",
    )


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first, so that no core waits for one at the end; then others with slow tests.

    xdist gives a worker whole files, in this order.
    """
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    place = {name: at for at, name in enumerate(LONGEST)}
    items.sort(key=lambda item: (place.get(item.path.name, len(LONGEST)), item.path not in slow))


def pytest_collection() -> None:
    """Nothing that is imported while tests are collected is garbage."""
    gc.disable()


def pytest_collection_finish() -> None:
    """What is imported by now stays to the end: the garbage collector need not look at it again and again,
    which took a tenth of the processor time of the dashboard's tests, and at the end of each worker most of
    a second."""
    gc.collect()
    gc.freeze()
    gc.enable()


def skipped(reports: list[pytest.TestReport]) -> Counter[str]:
    """Return how many tests were skipped, by the reason."""
    reasons: Counter[str] = Counter()
    for report in reports:
        told = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        reasons[told.removeprefix("Skipped: ")] += 1
    return reasons


def unwanted(reasons: Counter[str]) -> Counter[str]:
    """Return the reasons that a machine with all programs does not have."""
    known = tuple(reason(each) for each in (SHARED, *VALIDATORS))
    return Counter({why: n for why, n in reasons.items() if why not in known})


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    terminal = session.config.pluginmanager.get_plugin("terminalreporter")
    if terminal is None or not session.config.getoption("nothing_skipped"):
        return
    if session.exitstatus == 0 and unwanted(skipped(terminal.stats.get("skipped", []))):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say how many tests were skipped for want of what."""
    for why, count in sorted(skipped(terminalreporter.stats.get("skipped", [])).items()):
        terminalreporter.write_line(f"skipped: {count} {'test' if count == 1 else 'tests'}: {why}")
