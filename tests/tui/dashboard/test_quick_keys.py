"""A key is answered on the screen within 100 ms at the 95th percentile while ten utterances a second come
(the recorder's own wish, no source). `python -m tests.tools.benchmark_dashboard` prints
the same at length."""

from __future__ import annotations

import threading

from grammar.case.facts import CaseStarted
from grammar.case.fold import Case
from grammar.language.phrases import network
from tests.support.screens import protocol
from tests.tools.benchmark_dashboard import A_SECOND, KEYS, Timed, feed, keys

SECONDS, BOUND_MS = 6.0, 100.0


async def test_a_key_is_drawn_within_100_ms_while_ten_utterances_a_second_come() -> None:
    shown = Case(protocol())
    shown.add(CaseStarted(seq=1, protocol="isolation-airway", weight_kg=70, recording=True))
    desk = Timed(shown, 0.0)
    async with desk.app.run_test(size=(120, 40)) as pilot:
        await pilot.pause()
        feeding = threading.Thread(target=feed, args=(desk, network(protocol()), SECONDS))
        feeding.start()
        found = await keys(desk, KEYS, SECONDS)
        feeding.join()
    assert len(desk.case.facts) > SECONDS * A_SECOND
    # Processor time of the screen's thread: what else a busy machine does is not the dashboard's.
    ordered = sorted(processor for _, processor in found)
    assert ordered[int(0.95 * (len(ordered) - 1))] < BOUND_MS
