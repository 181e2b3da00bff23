"""Prints what debriefs cost: `python -m tests.tools.benchmark_debrief [CASES]`.

Cases of 30 minutes are written by this script, each with facts of its own, since a copy would count once: a
sentence drawn from the shipped protocol every four seconds or so, as busy as a team can be. One becomes a
page; all are put together, first read anew, then as they were kept. `--large FACTS` debriefs one case of so
many facts instead, and prints its time, memory and page.
"""

from __future__ import annotations

import os
import random
import resource
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from grammar.case.facts import CaseEnded, CaseStarted, Fact, Heard
from grammar.language.phrases import network
from grammar.language.word_network import Network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol, source_text
from listener.storage.journal import Journal
from tests.support.places import ROOT
from tests.tools.benchmark_fold import sentence
from tests.tools.make_large_case import write

LENGTH_S, EVERY_S = 1800.0, 4.0
RUN = "import sys; from tui.cli import main; sys.exit(main())"


def facts(net: Network, draw: random.Random, began: datetime) -> list[Fact]:
    """The facts of one case of 30 minutes."""
    made: list[Fact] = [
        CaseStarted(wall=began.isoformat(), protocol="isolation-airway", weight_kg=70)
    ]
    t = 2.0
    while t < LENGTH_S - EVERY_S:
        words = sentence(net, draw)
        timed = tuple(Word(w, t + 0.25 * i, t + 0.25 * (i + 1), 0.95) for i, w in enumerate(words))
        made.append(Heard(t=t, until=timed[-1].end, words=timed))
        t = max(t + EVERY_S * draw.uniform(0.5, 1.5), timed[-1].end + 0.3)
    return [*made, CaseEnded(t=LENGTH_S)]


def seconds(environment: dict[str, str], *argv: str) -> str:
    """How long it took, and how much of a processor: less depends on what else the machine does."""
    took, used = spent(environment, *argv)
    return f"{took:.1f} s ({used:.1f} s of processor)"


def spent(environment: dict[str, str], *argv: str) -> tuple[float, float]:
    """The same in seconds."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.monotonic()
    subprocess.run(
        [sys.executable, "-c", RUN, "debrief", *argv],
        env=environment,
        stdout=subprocess.DEVNULL,
        check=True,
    )
    took = time.monotonic() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return took, used


def large(count: int) -> None:
    """One case of so many facts as a page, in a process of its own."""
    with TemporaryDirectory() as place:
        folder, page = write(Path(place), count), Path(place) / "page.html"
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        took, used = spent(environment, str(folder), "--html", str(page))
        # Linux tells it in KiB; GB here are 10^9 bytes.
        most = 1024 * resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e9
        size = page.stat().st_size / 1e6
        each = f"{1e6 * used / count:.0f} µs of processor and {1e6 * most / count:.1f} KB a fact"
        print(
            f"{count} facts: {took:.1f} s ({used:.1f} s of processor), at most {most:.2f} GB: {each};"
            f" page of {size:.1f} MB"
        )


def main() -> None:
    if "--large" in sys.argv:
        large(int(sys.argv[sys.argv.index("--large") + 1]))
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    text, _ = source_text("isolation-airway")
    net, draw = network(load_protocol("isolation-airway")), random.Random(1)
    start = datetime(2026, 1, 1, tzinfo=UTC)
    with TemporaryDirectory() as place:
        cases = Path(place) / "cases"
        for number in range(count):
            began = start + timedelta(hours=number)
            journal = Journal.create(cases, "isolation-airway", text, began=began)
            # One commit a fact, as in a real case, would take most of an hour here.
            journal._database.execute("PRAGMA synchronous = OFF")
            for fact in facts(net, draw, began):
                journal.append_next(fact)
            journal.close()
        first = next(iter(sorted(cases.iterdir())))
        environment = {
            **os.environ,
            "XDG_CACHE_HOME": str(Path(place) / "cache"),
            "PYTHONPATH": str(ROOT),
        }
        page = Path(place) / "page.html"
        took = seconds(environment, str(first), "--html", str(page))
        print(f"page of one 30-minute case: {took}, {page.stat().st_size / 1e6:.2f} MB")
        cores = os.cpu_count()
        took = seconds(environment, str(cases), "--json")
        print(f"{count} such cases, first reading, {cores} cores: {took}")
        took = seconds(environment, str(cases), "--json")
        print(f"{count} such cases again: {took}")
        took = seconds(environment, str(cases), "--html", str(page))
        print(f"{count} such cases as a page: {took}, {page.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
