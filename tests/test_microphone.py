"""A sample played into a virtual sound card is heard through PortAudio as from its file.

The card is a null sink of a real PulseAudio server; its monitor is the microphone.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import pytest

QUICK = Path(str(files("sample_audio_synthetic") / "quick-clip.flac"))
NEEDED = ("pulseaudio", "pactl", "paplay", "ffmpeg")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        any(shutil.which(tool) is None for tool in NEEDED), reason=f"needs {', '.join(NEEDED)}"
    ),
]

ALSA = """
pcm.!default { type pulse }
ctl.!default { type pulse }
"""


@pytest.fixture
def card(tmp_path: Path) -> Iterator[dict[str, str]]:
    """The environment in which the null sink's monitor is the default microphone."""
    own = {"HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path / "run")}
    (tmp_path / "run").mkdir(mode=0o700)
    config = tmp_path / "asound.conf"
    config.write_text("</usr/share/alsa/alsa.conf>\n" + ALSA)
    environment = {
        **os.environ,
        **own,
        "PULSE_SERVER": f"unix:{tmp_path}/run/sound",
        "ALSA_CONFIG_PATH": str(config),
        "PYTHONPATH": str(Path(__file__).parent.parent),
    }
    server = subprocess.Popen(
        [
            "pulseaudio",
            "-n",
            "--exit-idle-time=-1",
            f"--load=module-native-protocol-unix socket={tmp_path}/run/sound auth-anonymous=1",
            "--load=module-null-sink sink_name=room rate=16000 channels=1",
        ],
        env=environment,
        stderr=subprocess.DEVNULL,
    )
    for _ in range(100):
        ready = subprocess.run(["pactl", "info"], env=environment, capture_output=True, check=False)
        if ready.returncode == 0:
            break
        time.sleep(0.1)
    subprocess.run(["pactl", "set-default-source", "room.monitor"], env=environment, check=True)
    yield environment
    server.terminate()
    server.wait()


def test_a_microphone_hears_the_same_calls_as_the_file(
    card: dict[str, str], tmp_path: Path
) -> None:
    wav = tmp_path / "quick.wav"
    subprocess.run(["ffmpeg", "-loglevel", "error", "-i", str(QUICK), str(wav)], check=True)
    command = [sys.executable, "-c", "import sys; from tui.cli import main; sys.exit(main())"]
    cases = ["--json", "--cases", str(tmp_path / "cases")]
    from_file = subprocess.run(
        [*command, "listen", str(QUICK), *cases], env=card, capture_output=True, check=True
    )
    listening = subprocess.Popen(
        [*command, "listen", *cases], env=card, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    try:
        time.sleep(4)  # until it listens
        subprocess.run(["paplay", "--device=room", str(wav)], env=card, check=True)
        time.sleep(2)
    finally:
        listening.send_signal(signal.SIGINT)
    out, error = listening.communicate(timeout=30)
    assert listening.returncode == 0, error
    assert calls(out) == calls(from_file.stdout)


def calls(out: bytes) -> list[tuple[str, object]]:
    lines = [json.loads(line) for line in out.splitlines()]
    assert lines[-1]["kind"] == "summary"
    return [(line["call"], line["slots"]) for line in lines[:-1] if line["call"]]
