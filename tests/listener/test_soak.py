"""A quarter of an hour of sound cost no more at its end than at its beginning.

`python -m tests.tools.soak 8` hears eight hours.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.tools.soak import soak


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="reads /proc")
def test_a_quarter_of_an_hour_leaks_nothing_and_stays_as_quick() -> None:
    early, _, middle, _, late = soak(hours=0.25, every_hours=0.05)
    assert late.facts > 2 * early.facts
    assert late.handles == early.handles
    assert late.engine_mb < 1.1 * early.engine_mb
    # The first minutes fill caches. Then nothing may grow but the facts and what follows from them, some
    # forty objects each: not with every block of sound, of which more than fifty come to a fact.
    assert late.objects - middle.objects < 80 * (late.facts - middle.facts)
    assert late.listener_mb - middle.listener_mb < 4
    assert late.cpu_ms < 1.5 * early.cpu_ms
