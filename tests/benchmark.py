"""Prints how fast and how small a whole run is: `python tests/benchmark.py`.

A sample drill is heard in fast mode by a process of its own, everything on.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory

import soundfile

DRILL = Path(str(files("sample_audio_synthetic") / "well-run-drill.flac"))
RUN = "import sys; from tui.cli import main; sys.exit(main())"


def seconds(*argv: str, stdin: bytes | None = None) -> float:
    began = time.monotonic()
    subprocess.run([sys.executable, "-c", RUN, *argv], input=stdin, capture_output=True, check=True)
    return time.monotonic() - began


def main() -> None:
    length = soundfile.info(DRILL).duration
    with TemporaryDirectory() as cases:
        # A tenth of a second of sound: what is left is starting up.
        start = seconds("listen", "-", "--json", "--cases", cases, stdin=bytes(3200))
        whole = seconds("listen", str(DRILL), "--json", "--cases", cases)
    memory = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"{length:.0f} s of sound heard in {whole:.1f} s: {whole / length:.3f} of its length")
    print(f"start to end of an empty case: {start:.2f} s")
    print(f"most memory resident: {memory:.0f} MB")


if __name__ == "__main__":
    main()
