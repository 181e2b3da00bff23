"""What tests of whole screens share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.support.screens import KeyClock, by_the_clock, drawn_where_looked_at


@pytest.fixture
def only_looked_at() -> Iterator[None]:
    """The screens of the test are drawn where all of them is asked for, as a picture does."""
    with drawn_where_looked_at():
        yield


@pytest.fixture
def clock() -> Iterator[KeyClock]:
    """The clock of the keys, for a screen that is no `desk`. It stands until it is put on."""
    found = KeyClock()
    found.stand()
    with by_the_clock(found):
        yield found
