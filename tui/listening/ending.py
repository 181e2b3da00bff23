"""The end of a case: store what is left, seal it, let its folder go.

Where its disk does not take all of it, storing is tried for a while more, and the case is then put
elsewhere.
"""

from __future__ import annotations

import shlex
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
from listener.storage.seals import seal
from listener.storage.signing import SigningKey
from tui.listening.building import CaseParts
from tui.text.wall_clock import wall_stamp
from tui.text.wording import clean

LAST_TRY_S: Final = 30.0

AFTERWARDS: Final = (
    ("handover", "to read out"),
    ("debrief", "to go through it"),
    ("resume --reopen", "ended too soon? go on with it"),
)
"""Commands for a case that has ended, and what each is for."""


def end_case(
    parts: CaseParts,
    fact_writer: FactWriter,
    rescued: Path,
    *,
    written: bool,
    unheard_s: float = 0.0,
) -> None:
    """Store what is left, seal the case, and let its folder go; say where it is and its check code.

    `unheard_s` is how much of its sound is not heard, seconds. Not `written`: something may still be, and
    the case is not sealed. `rescued` is the folder for cases whose own disk takes no more. Raises
    UserError where that happened.
    """
    print(f"case: {parts.journal.folder}", file=sys.stderr)
    if unheard_s >= 1.0:
        kept = f"hear it: answerback rehear {shlex.quote(str(parts.journal.folder))}"
        lost = "it was not recorded"
        how = kept if parts.flac_writer else lost
        print(f"its last {unheard_s:.0f} s were not heard: {how}", file=sys.stderr)
    try:
        if fact_writer.finish() and (left := _try_on(fact_writer)):
            said = put_elsewhere(
                rescued,
                parts.journal,
                protocol_text=parts.protocol_text,
                facts=parts.case.facts,
                left=left,
                signing_key=parts.signing_key,
            )
            raise UserError(said)
        if written:
            parts.team.forget()
            head = seal(fact_writer.journal, wall_stamp(), parts.signing_key).head
            print(f"check code: {head}", file=sys.stderr)
            folder = shlex.quote(str(parts.journal.folder))
            for command, what in AFTERWARDS:
                print(f"{what}: answerback {command} {folder}", file=sys.stderr)
        fact_writer.journal.close()
    finally:
        parts.lock.release()


def _try_on(fact_writer: FactWriter) -> int:
    """Try on for a while, or until Ctrl-C. Return how many facts are still not stored."""
    words = f"{fact_writer.trouble}: trying for {LAST_TRY_S:.0f} s more, Ctrl-C ends that"
    print(clean(words), file=sys.stderr, flush=True)
    with suppress(KeyboardInterrupt):
        fact_writer.finish(LAST_TRY_S)
    return fact_writer.finish(0.0)


def put_elsewhere(
    rescued: Path,
    journal: Journal,
    *,
    protocol_text: str,
    facts: Sequence[Fact],
    left: int,
    signing_key: SigningKey | None,
) -> str:
    """Put a whole case where there is room. Return a sentence on what became of its `left` last facts."""
    lost = f"the last {left} facts of {journal.folder} could not be stored"
    try:
        folder, head = rescue(
            rescued,
            journal,
            protocol_text=protocol_text,
            facts=facts,
            wall=wall_stamp(),
            key=signing_key,
        )
    except (UserError, OSError, sqlite3.Error) as error:
        return f"{lost}, and are on no disk: {error}"
    print(f"rescued: {folder}\ncheck code: {head}", file=sys.stderr)
    return f"{lost}: the whole log is in {folder}, and resuming the case takes it in"
