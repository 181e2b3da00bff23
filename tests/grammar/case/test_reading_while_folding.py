"""Reading a case from one thread while another folds it again never shows a part of it."""

from __future__ import annotations

import threading
import time

from grammar.case.facts import Amended, CaseStarted, Heard
from grammar.case.fold import Case
from grammar.language.words import Word
from grammar.protocol.loading import load_protocol

SAID = ("give seventy milligrams of ketamine", "timer sixty", "sats ninety four percent")
UTTERANCES = 400


def heard(seq: int, text: str) -> Heard:
    t = float(seq)
    words = tuple(Word(word, t, t + 0.5) for word in text.split())
    return Heard(seq=seq, t=t, until=t + 0.5, words=words)


def test_every_view_holds_all_facts_while_an_amendment_folds_them_again() -> None:
    case = Case(load_protocol("isolation-airway"))
    case.add(CaseStarted(seq=1, protocol="isolation-airway"))
    for seq in range(2, UTTERANCES + 2):
        case.add(heard(seq, SAID[seq % len(SAID)]))
    whole, short, views = UTTERANCES + 1, 0, 0
    done = threading.Event()

    def read() -> None:
        nonlocal short, views
        while not done.is_set():
            views += 1
            short += len(case.view(1000.0).log) < whole
            time.sleep(0.0005)

    reader = threading.Thread(target=read)
    reader.start()
    for seq in range(2, 32):
        text = "timer ninety"
        case.add(Amended(seq=whole + seq, t=1000.0, target=seq, words=text))
    done.set()
    reader.join()
    assert views > 20, "the reader never looked while facts were folded again"
    assert short == 0
