"""The key `t` of the briefing: the cards come in its terminal, and the case then knows who agreed."""

from __future__ import annotations

import argparse
import io
from pathlib import Path

import pytest

from grammar.protocol.loading import load_protocol
from listener.audio.sources import AudioFile
from tests.support.places import SAMPLES
from tui.commands import team


def test_whoever_says_yes_at_the_briefing_is_known_and_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("ANSWERBACK_EARS", "quick")
    monkeypatch.setattr("sys.stdin", io.StringIO("\nno\nyes\n\n\n"))
    card = AudioFile(SAMPLES / "card-drugs-nurse.flac")
    monkeypatch.setattr(team, "source_of", lambda *_args, **_options: card)
    wanted = argparse.Namespace(recogniser="auto", model=None, device=None, channels=())
    wanted.cards_here, wanted.fitted_here, wanted.known_passphrase = (), None, None
    team.read_at_briefing(wanted, load_protocol("isolation-airway"))
    (found,) = wanted.read_here
    assert wanted.fitted_here is None  # one card is too few to fit the quick ear
    assert (found.station, found.name, len(found.prints)) == ("drugs-nurse", "", 13)
    assert not (tmp_path / "data").exists()
