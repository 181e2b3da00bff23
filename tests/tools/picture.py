"""Draws the picture of the dashboard in the README: `python -m tests.tools.picture`.

The faulty sample drill is heard by the real recogniser, and shown at one moment of it.
"""

from __future__ import annotations

import asyncio
import re
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory

from grammar.case.fold import fold
from listener.audio.sources import AudioFile
from tests.support.places import ROOT
from tui.dashboard.app import Dashboard
from tui.dashboard.manual_entry import ManualEntry
from tui.dashboard.status import Status
from tui.listening.case_listening import Listening
from tui.listening.json_lines import run_headless
from tui.listening.options import CaseOptions

MOMENT = 205.7
"""Seconds into the drill: a read-back that differs, an order not reported done."""
PICTURE = ROOT / ".readme" / "dashboard.svg"


async def draw() -> None:
    sample = Path(str(files("sample_audio_synthetic") / "faulty-drill.flac"))
    with TemporaryDirectory() as cases:
        wishes = CaseOptions(
            protocol="isolation-airway",
            weight_kg=70.0,
            recogniser="vosk",
            model=None,
            cases=Path(cases),
            record=True,
            real_pace=False,
            drill=True,
        )
        listening = Listening(AudioFile(sample), wishes)
        run_headless(listening)
    facts = listening.case.facts
    status = Status(
        engine=listening.status().engine,
        level_dbfs=-27.0,
        recording=True,
        partial="",
        source=sample.name,
        title=listening.protocol.protocol.title,
    )
    app = Dashboard(
        listening.protocol,
        view_at=lambda now: fold(listening.protocol, facts, now),
        clock=lambda: MOMENT,
        status=lambda: status,
        wall=lambda: datetime(2026, 1, 1, 14, 3, 24),
        # For the recorder's foot; nothing is pressed.
        manual=ManualEntry(listening.protocol, lambda _fact: None, lambda: facts, lambda: MOMENT),
    )
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause(1.0)
        PICTURE.parent.mkdir(exist_ok=True)
        picture = app.export_screenshot(title="answerback")
        # The font named there would be fetched from the network by whoever opens the picture.
        own = re.sub(r"@font-face \{.*?\}", "", picture, flags=re.DOTALL)
        PICTURE.write_text(own.replace("<text ", '<text xml:space="preserve" '), encoding="utf-8")


if __name__ == "__main__":
    asyncio.run(draw())
