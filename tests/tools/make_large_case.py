"""Writes a case of so many facts: `python -m tests.tools.make_large_case FOLDER FACTS`.

A sentence drawn from the shipped protocol every 0.72 s, which makes a million in eight days. The chain
is that of a real case; the disk is not waited for, since one commit a fact would take hours.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from grammar.case.facts import CaseEnded, CaseStarted, Fact
from grammar.language.phrases import network
from grammar.protocol.loading import load_protocol, source_text
from listener.storage.journal import Journal
from tests.tools.benchmark_fold import heard, sentence

BEGAN = datetime(2026, 1, 1, tzinfo=UTC)


def facts(count: int) -> Iterator[Fact]:
    """So many facts of one case."""
    net, draw = network(load_protocol("isolation-airway")), random.Random(1)
    yield CaseStarted(wall=BEGAN.isoformat(), protocol="isolation-airway", weight_kg=70, drill=True)
    last = 0.0
    for seq in range(2, count):
        fact = heard(seq, sentence(net, draw))
        last = fact.until
        yield fact
    yield CaseEnded(t=last + 1)


def write(place: Path, count: int) -> Path:
    """Write the case and return its folder."""
    text, _ = source_text("isolation-airway")
    journal = Journal.create(place, "isolation-airway", text, began=BEGAN)
    journal._database.execute("PRAGMA synchronous = OFF")
    for fact in facts(count):
        journal.append_next(fact)
    journal.close()
    return journal.folder


if __name__ == "__main__":
    print(write(Path(sys.argv[1]), int(sys.argv[2])))
