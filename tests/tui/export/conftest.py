"""The case that is exported, stored."""

from __future__ import annotations

from pathlib import Path

import pytest

from grammar.protocol.loading import source_text
from listener.storage.case_reader import StoredCase, open_case
from listener.storage.journal import Journal
from tests.support.exported_case import BEGAN, INVENTED


@pytest.fixture
def stored(tmp_path: Path) -> StoredCase:
    text, _ = source_text("isolation-airway")
    journal = Journal.create(tmp_path, "isolation-airway", text, began=BEGAN)
    for fact in INVENTED:
        journal.append_next(fact)
    journal.close()
    return open_case(journal.folder)
