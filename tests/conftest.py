"""The order of the tests."""

from __future__ import annotations

import pytest

LONGEST = "test_soak.py"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest first, so that no core waits for it at the end."""
    items.sort(key=lambda item: item.path.name != LONGEST)
