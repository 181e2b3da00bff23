"""Half an hour of sound costs no more at its end than at its beginning; `python tests/soak.py`: 8 h."""

from __future__ import annotations

from pathlib import Path

import pytest
from soak import soak


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="reads /proc")
def test_half_an_hour_leaks_nothing_and_stays_as_quick() -> None:
    early, *_, late = soak(hours=0.5, every_hours=0.1)
    assert late.facts > 2 * early.facts
    assert late.handles == early.handles
    assert late.engine_mb < 1.1 * early.engine_mb
    # The listener's first minutes fill caches: what must not be is growth with every minute of sound.
    assert late.listener_mb < early.listener_mb + 25
    assert late.cpu_ms < 1.5 * early.cpu_ms
