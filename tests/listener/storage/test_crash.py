"""A killed case is there again; `python -m tests.tools.crash` does it 200 times."""

from __future__ import annotations

import sys

import pytest

from tests.tools.crash import crashes


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_case_killed_at_any_moment_loses_nothing_that_was_shown() -> None:
    found = crashes(kills=8, at_once=4, first_seed=5000)
    assert [one.wrong for one in found] == [()] * 8
    assert sum(one.shown for one in found) > 4
    assert any(one.resumed for one in found)
