"""The end of a case whose disk does not take all of it: try on for a while, then put it elsewhere."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from grammar.case.facts import Fact
from grammar.errors import UserError
from listener.storage.fact_writer import FactWriter
from listener.storage.journal import Journal
from listener.storage.rescue import rescue
from listener.storage.signing import SigningKey
from tui.text.wall_clock import wall_stamp
from tui.text.wording import clean

LAST_TRY_S: Final = 30.0


def last_try(keeper: FactWriter) -> int:
    """Try on; Ctrl-C ends it. How many facts are still not stored."""
    words = f"{keeper.trouble}: trying for {LAST_TRY_S:.0f} s more, Ctrl-C ends that"
    print(clean(words), file=sys.stderr, flush=True)
    with suppress(KeyboardInterrupt):
        keeper.finish(LAST_TRY_S)
    return keeper.finish(0.0)


def put_elsewhere(
    place: Path,
    journal: Journal,
    protocol_text: str,
    facts: Sequence[Fact],
    left: int,
    key: SigningKey | None,
) -> str:
    """Put a whole case where there is room. A sentence on what became of its `left` last facts."""
    lost = f"the last {left} facts of {journal.folder} could not be stored"
    try:
        folder, head = rescue(place, journal, protocol_text, facts, wall_stamp(), key)
    except (UserError, OSError, sqlite3.Error) as error:
        return f"{lost}, and are on no disk: {error}"
    print(f"rescued: {folder}\nseal: {head}", file=sys.stderr)
    return f"{lost}: the whole log is in {folder}, and resuming the case takes it in"
