"""A case's audio survives what a case may go through."""

from __future__ import annotations

import os
import signal
import stat
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
import soundfile

from grammar.errors import UserError
from listener.audio.samples import SAMPLE_RATE
from listener.audio.sources import AudioFile
from listener.storage.flac_writer import FlacWriter
from tests.support.needs import program


def test_what_was_written_is_read_back(tmp_path: Path) -> None:
    samples = np.random.default_rng(1).integers(-9000, 9000, (40000, 2)).astype(np.int16)
    recording = FlacWriter(tmp_path / "audio.flac", 2)
    for at in range(0, len(samples), 1600):
        recording.write(samples[at : at + 1600])
    recording.close()
    recording.close()
    heard, rate = soundfile.read(tmp_path / "audio.flac", dtype="int16")
    assert rate == SAMPLE_RATE
    np.testing.assert_array_equal(heard, samples)


def test_only_the_owner_may_listen_whatever_the_umask(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        FlacWriter(tmp_path / "audio.flac", 1).close()
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "audio.flac").stat().st_mode) == 0o600


def test_a_recording_is_never_overwritten(tmp_path: Path) -> None:
    FlacWriter(tmp_path / "audio.flac", 1).close()
    with pytest.raises(UserError, match="exists already"):
        FlacWriter(tmp_path / "audio.flac", 1)


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="No audio can be written"):
        FlacWriter(tmp_path / "none" / "audio.flac", 1)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_killed_case_loses_at_most_two_seconds_of_sound(tmp_path: Path) -> None:
    path = tmp_path / "audio.flac"
    script = f"""
        import os, signal
        from pathlib import Path
        import numpy as np
        from listener.storage.flac_writer import FlacWriter
        recording = FlacWriter(Path({str(path)!r}), 1)
        noise = np.random.default_rng(5).integers(-3000, 3000, (1600, 1)).astype(np.int16)
        for _ in range(80):
            recording.write(noise)
        os.kill(os.getpid(), signal.SIGKILL)
    """
    ended = subprocess.run([sys.executable, "-c", textwrap.dedent(script)], check=False)
    assert ended.returncode == -signal.SIGKILL
    heard = sum(len(block.samples) for block in AudioFile(path).blocks())
    assert 6.0 * SAMPLE_RATE <= heard <= 8.0 * SAMPLE_RATE


@program("strace")
def test_the_kernel_is_asked_once_a_second_to_put_the_sound_on_the_disk(tmp_path: Path) -> None:
    """What a power cut takes is what it was not asked for; a mere kill takes none of what is written."""
    script = """
        import sys
        from pathlib import Path
        import numpy as np
        from listener.storage.flac_writer import FlacWriter
        recording = FlacWriter(Path(sys.argv[1]), 1)
        print("begun", flush=True)
        for _ in range(52):
            recording.write(np.zeros((1600, 1), np.int16))
        print("written", flush=True)
        recording.close()
    """
    run = [sys.executable, "-c", textwrap.dedent(script), str(tmp_path / "audio.flac")]
    trace = [
        "strace",
        "-f",
        "-qq",
        "-e",
        "trace=fsync,fdatasync,write",
        "-o",
        str(tmp_path / "calls"),
    ]
    subprocess.run(
        [*trace, *run], check=True, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    )
    between = (tmp_path / "calls").read_text().split('"begun')[1].split('"written')[0]
    assert between.count("sync(") == 5
