"""One class a speech synthesiser: text in, samples out, at the synthesiser's own rate.

Each engine is made once and kept, since the neural ones take seconds to load. Heavy imports stand
inside the methods: whoever only speaks with espeak-ng needs none of the extra `train`.
"""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import tempfile
import unicodedata
from collections.abc import Sequence
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import Any, Protocol, cast

import numpy as np
import numpy.typing as npt
import soundfile

from grammar.errors import UserError
from listener.training.fetch import is_complete, voices_folder

Samples = npt.NDArray[np.float32]


class Engine(Protocol):
    """A synthesiser."""

    def speak(self, text: str, name: str, speed: float) -> tuple[Samples, int]:
        """Return mono samples in [-1, 1] and their rate in Hz; `name` is a voice of this engine."""
        ...


class Espeak:
    """espeak-ng; a name is a variant such as "en-gb+f3", then "/" and a pitch of 0 to 99."""

    def speak(self, text: str, name: str, speed: float) -> tuple[Samples, int]:
        """Speak a text; see `Engine.speak`."""
        variant, _, pitch = name.partition("/")
        words_a_minute = str(round(155 * speed))
        options = ["-v", variant, "-s", words_a_minute, "-p", pitch or "50"]
        return _read(_output(["espeak-ng", *options, "--stdout", text]))


class Flite:
    """flite; names: kal, kal16, awb, rms, slt."""

    def speak(self, text: str, name: str, speed: float) -> tuple[Samples, int]:
        """Speak a text; see `Engine.speak`."""
        with tempfile.NamedTemporaryFile(suffix=".wav") as out:
            stretch = f"duration_stretch={1 / speed:.3f}"
            _output(["flite", "-voice", name, "--setf", stretch, "-t", text, "-o", out.name])
            return _read(Path(out.name).read_bytes())


class Festival:
    """festival's text2wave; a name is a festival voice without "voice_"."""

    def speak(self, text: str, name: str, speed: float) -> tuple[Samples, int]:
        """Speak a text; see `Engine.speak`."""
        stretch = f"(Parameter.set 'Duration_Stretch {1 / speed:.3f})"
        # Into a file: on a pipe text2wave leaves the length in the WAVE header at zero.
        with tempfile.NamedTemporaryFile(suffix=".wav") as out:
            command = ["text2wave", "-eval", f"(voice_{name})", "-eval", stretch, "-o", out.name]
            _output(command, text.encode())
            return _read(Path(out.name).read_bytes())


class Pico:
    """SVOX Pico; a name is "en-US" or "en-GB", then "/" and a pitch in per cent of the usual."""

    def speak(self, text: str, name: str, speed: float) -> tuple[Samples, int]:
        """Speak a text; see `Engine.speak`."""
        language, _, pitch = name.partition("/")
        said = (
            f'<pitch level="{pitch or 100}"><speed level="{100 * speed:.0f}">{text}</speed></pitch>'
        )
        with tempfile.NamedTemporaryFile(suffix=".wav") as out:
            _output(["pico2wave", "-l", language, "-w", out.name, said])
            return _read(Path(out.name).read_bytes())


class Piper:
    """The Piper voice "joe", run from its ONNX file."""

    @cached_property
    def _session(self) -> Any:
        return _session(gathered() / "joe.onnx")

    @cached_property
    def _config(self) -> dict[str, Any]:
        return cast(dict[str, Any], json.loads((gathered() / "joe.onnx.json").read_text()))

    def speak(self, text: str, name: str, speed: float) -> tuple[Samples, int]:
        """Speak a text; see `Engine.speak`."""
        del name
        ids = self._config["phoneme_id_map"]
        # Piper's models were trained with a pad after every phoneme.
        tokens = [*ids["^"], *ids["_"]]
        for sign in unicodedata.normalize("NFD", phonemes_of(text, "en-us")):
            if sign in ids:
                tokens += [*ids[sign], *ids["_"]]
        tokens += ids["$"]
        scales = self._config["inference"]
        inputs = {
            "input": np.array([tokens], np.int64),
            "input_lengths": np.array([len(tokens)], np.int64),
            "scales": np.array(
                [scales["noise_scale"], scales["length_scale"] / speed, scales["noise_w"]],
                np.float32,
            ),
        }
        sound = self._session.run(None, inputs)[0].ravel()
        return sound.astype(np.float32), int(self._config["audio"]["sample_rate"])


class Kokoro:
    """Kokoro-82M; a style is a table of one row of 256 numbers for each length of phonemes."""

    @cached_property
    def _session(self) -> Any:
        return _session(gathered() / "kokoro.onnx")

    @cached_property
    def _vocabulary(self) -> dict[str, int]:
        text = files("kokoro_onnx").joinpath("config.json").read_text(encoding="utf-8")
        return cast(dict[str, int], json.loads(text)["vocab"])

    def style(self, name: str) -> Samples:
        """Return the style of a named voice, shape (510, 256)."""
        path = gathered() / "styles" / f"{name}.bin"
        return np.fromfile(path, np.float32).reshape(510, 256)

    def speak(self, text: str, name: str, speed: float) -> tuple[Samples, int]:
        """Speak a text; see `Engine.speak`."""
        language = "en-gb" if name.startswith("b") else "en-us"
        tokens = self.tokens(phonemes_of(text, language))
        return self.speak_tokens(tokens, self.style(name), speed)

    def tokens(self, phonemes: str) -> list[int]:
        """Return the model's number of each of espeak-ng's IPA signs; signs it lacks are left out."""
        return [self._vocabulary[sign] for sign in phonemes if sign in self._vocabulary]

    def speak_tokens(
        self, tokens: Sequence[int], style: Samples, speed: float
    ) -> tuple[Samples, int]:
        """Speak in any style of shape (510, 256), blends included; up to 509 tokens."""
        inputs = {
            "tokens": np.array([[0, *tokens, 0]], np.int64),
            "style": style[None, len(tokens) - 1],
            "speed": np.array([speed], np.float32),
        }
        return np.asarray(self._session.run(None, inputs)[0].ravel(), np.float32), 24000


def phonemes_of(text: str, language: str) -> str:
    """Return espeak-ng's IPA for the text, as the neural voices were trained on; the dialect is "en-us" or
    "en-gb".
    """
    import espeakng_loader  # noqa: PLC0415
    import phonemizer  # noqa: PLC0415
    from phonemizer.backend.espeak.wrapper import (  # noqa: PLC0415
        EspeakWrapper,
    )

    EspeakWrapper.set_data_path(espeakng_loader.get_data_path())
    EspeakWrapper.set_library(espeakng_loader.get_library_path())
    spoken = phonemizer.phonemize(text, language, preserve_punctuation=True, with_stress=True)
    return " ".join(cast(str, spoken).split())


def gathered() -> Path:
    """Return the folder of gathered voices; raises UserError where it is not complete."""
    folder = voices_folder()
    if not is_complete(folder):
        raise UserError(
            f"The neural voices are not in {folder}: run `python -m listener.training voices`."
        )
    return folder


def _session(path: Path) -> Any:
    import onnxruntime  # noqa: PLC0415

    options = onnxruntime.SessionOptions()
    # One thread: many clips at once, a process each, is faster than many threads on one short clip.
    options.intra_op_num_threads = 1
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])


def _output(command: list[str], given: bytes | None = None) -> bytes:
    if shutil.which(command[0]) is None:
        raise UserError(f"The synthesiser {command[0]} is not installed.")
    return subprocess.run(command, input=given, check=True, capture_output=True).stdout


def _read(data: bytes) -> tuple[Samples, int]:
    sound, rate = soundfile.read(io.BytesIO(data), dtype="float32")
    return cast(Samples, sound), int(rate)
