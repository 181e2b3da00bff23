"""A sound card of a test's own: PulseAudio with a null sink, whose monitor is the microphone."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from tests.support.needs import program
from tests.support.places import ROOT

sound_card = program("pulseaudio", "pactl", "paplay", "parec", "ffmpeg")
"""The mark of tests that play or record through `Card`."""

ALSA = """
pcm.!default { type pulse }
ctl.!default { type pulse }
"""


Heard = TypeVar("Heard")


def heard_whole(
    hear: Callable[[Path], Heard], whole: Callable[[Heard], bool], folder: Path
) -> Heard:
    """What `hear` makes of a sound in a folder of its own, once more where it is not `whole`, up to three
    times: a busy machine loses pieces of what a sound server plays."""
    for attempt in range(3):
        found = hear(folder / f"cases-{attempt}")
        if whole(found):
            break
    return found


class Card:
    """A sound server of our own whose null sink's monitor is the default microphone."""

    def __init__(self, folder: Path) -> None:
        self._socket = folder / "run" / "sound"
        self._socket.parent.mkdir(mode=0o700)
        config = folder / "asound.conf"
        config.write_text("</usr/share/alsa/alsa.conf>\n" + ALSA)
        self.environment = {
            **os.environ,
            "HOME": str(folder),
            "XDG_RUNTIME_DIR": str(folder / "run"),
            "PULSE_SERVER": f"unix:{self._socket}",
            "ALSA_CONFIG_PATH": str(config),
            "PYTHONPATH": str(ROOT),
        }
        self.plug_in()

    def plug_in(self) -> None:
        self._server = subprocess.Popen(
            [
                "pulseaudio",
                "-n",
                "--exit-idle-time=-1",
                f"--load=module-native-protocol-unix socket={self._socket} auth-anonymous=1",
                "--load=module-null-sink sink_name=room rate=16000 channels=1",
            ],
            env=self.environment,
            stderr=subprocess.DEVNULL,
        )
        for _ in range(100):
            if self.run("pactl", "info").returncode == 0:
                break
            time.sleep(0.1)
        assert self.run("pactl", "set-default-source", "room.monitor").returncode == 0

    def unplug(self) -> None:
        self._server.kill()
        self._server.wait()

    def play(self, wav: Path) -> None:
        assert self.run("paplay", "--device=room", str(wav)).returncode == 0

    def run(self, *command: str) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(
            command, env=self.environment, capture_output=True, check=False, timeout=120
        )
