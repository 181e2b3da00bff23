"""Files from strangers: a sentence is all that bad ones get.

`python -m tests.tools.fuzz` looks for longer.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support.fuzzing import TARGETS

KIND = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


@pytest.mark.parametrize("name", TARGETS)
def test_what_the_targets_begin_with_does_no_harm(name: str) -> None:
    for seed in TARGETS[name].seeds():
        TARGETS[name].run(seed)


@pytest.mark.parametrize("name", TARGETS)
@KIND
@given(data=st.data())
def test_bad_input_ends_in_a_sentence(name: str, data: st.DataObject) -> None:
    target = TARGETS[name]
    content = bytearray(data.draw(st.sampled_from(target.seeds())))
    for _ in range(data.draw(st.integers(0, 6))):
        at = data.draw(st.integers(0, len(content)))
        piece = data.draw(st.binary(max_size=8) | st.sampled_from(target.seeds()))
        content[at : at + data.draw(st.integers(0, 40))] = piece
    target.run(bytes(content[: target.longest]))
