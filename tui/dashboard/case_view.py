"""`answerback view`: the dashboard of a case that is heard elsewhere, to read only."""

from __future__ import annotations

import os
import sys
from datetime import datetime
from pathlib import Path

from grammar.errors import UserError
from listener.storage.case_follower import CaseFollower
from tui.dashboard.app import Dashboard
from tui.dashboard.settings import load_settings
from tui.dashboard.status import Status

BEHIND_WORDS = "hearing is behind the sound, nothing is left out"


def view(folder: Path, passphrase: str | None = None, *, even_if_altered: bool = False) -> None:
    """Follow a case on the dashboard until its user quits. Raises UserError."""
    # Driven by a browser there is no terminal, and none is needed.
    if not sys.stdout.isatty() and "TEXTUAL_DRIVER" not in os.environ:
        raise UserError("there is no terminal to draw on: use --serve for a browser, or replay")
    following = CaseFollower(
        folder,
        lambda: datetime.now().astimezone(),
        passphrase,
        even_if_altered=even_if_altered,
    )
    dashboard(following).run()


def dashboard(following: CaseFollower) -> Dashboard:
    """Return the dashboard of a case that is followed."""
    return Dashboard(
        following.protocol,
        view_at=following.view,
        clock=following.now,
        status=lambda: status_of(following),
        start=following.start,
        stop=following.stop,
        settings=load_settings(),
    )


def status_of(following: CaseFollower) -> Status:
    """How the case stands, as far as its files tell."""
    started = following.started
    ended = following.case.state.ended is not None
    failure = following.trouble or following.altered or None
    if failure is None and not ended and not following.heard_now:
        failure = "nobody hears this case now; `answerback resume` goes on with it"
    return Status(
        engine=started.engine if started else "",
        level_dbfs=None,
        recording=following.case.state.recording,
        partial="",
        source=f"following {started.source if started else ''}",
        title=following.protocol.protocol.title,
        ended=ended,
        failure=failure,
        troubles=(BEHIND_WORDS,) if following.behind and following.heard_now and not ended else (),
        hears=False,
    )
