"""Prints what the fold costs in a long case: `python -m tests.tools.benchmark_fold [FACTS]`.

The facts are sentences drawn from the shipped protocol, one every 0.72 s: 20,000 make four hours.
"""

from __future__ import annotations

import gc
import random
import statistics
import sys
import time
import tracemalloc

from grammar.case.facts import CaseStarted, Heard
from grammar.case.fold import Case
from grammar.language.phrases import network
from grammar.language.word_network import Network
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol

SECONDS_A_FACT = 0.72


def sentence(net: Network, draw: random.Random) -> list[str]:
    """A random sentence of the network, short ways preferred as people do."""
    words: list[str] = []
    state = net.start
    while not (state in net.finals and (not net.arcs[state] or draw.random() < 0.7)):
        word, state = draw.choice(net.arcs[state])
        words.append(word)
    return words


def heard(seq: int, words: list[str]) -> Heard:
    t = SECONDS_A_FACT * seq
    timed = tuple(Word(w, t + 0.1 * i, t + 0.1 * (i + 1), 0.9) for i, w in enumerate(words))
    return Heard(seq=seq, t=t, until=t + 0.1 * len(words), words=timed)


def spent_ms(act: object) -> float:
    began = time.perf_counter()
    act()  # type: ignore[operator]
    return 1000 * (time.perf_counter() - began)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    protocol = load_protocol("isolation-airway")
    net, draw = network(protocol), random.Random(1)
    facts = [heard(seq, sentence(net, draw)) for seq in range(2, count + 2)]
    tracemalloc.start()
    case = Case(protocol)
    case.add(CaseStarted(seq=1, protocol="isolation-airway", weight_kg=70))
    empty = tracemalloc.get_traced_memory()[0]
    for fact in facts:
        case.add(fact)
    grown = tracemalloc.get_traced_memory()[0] - empty
    tracemalloc.stop()
    print(f"memory: {grown / count:.0f} bytes a fact, {count} facts")
    end = SECONDS_A_FACT * count
    more = [heard(count + 2 + i, sentence(net, draw)) for i in range(300)]
    adds = [spent_ms(lambda fact=fact: case.add(fact)) for fact in more]
    print(f"one more fact: {statistics.median(adds):.2f} ms at the median")
    gc.collect()
    moments = [draw.uniform(0, end) for _ in range(100)]
    looks = sorted(spent_ms(lambda now=now: case.at(now)) for now in moments)
    late = looks[int(0.95 * len(looks))]
    print(
        f"state at any moment: {statistics.median(looks):.1f} ms median, {late:.1f} ms 95th percentile"
    )
    views = sorted(spent_ms(lambda: case.view(end)) for _ in range(30))
    print(f"view of the moment: {statistics.median(views):.1f} ms median")


if __name__ == "__main__":
    main()
