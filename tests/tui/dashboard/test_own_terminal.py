"""The screen is not written over by what a library in C prints when its device goes away."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from tests.support.places import ROOT
from tui.dashboard.own_terminal import EarlyKeys, lent_terminal

SAID = """
import os, sys
from tui.dashboard.own_terminal import own_terminal
with own_terminal():
    os.write(2, b"the library complains")
    print("drawn", file=sys.__stderr__, flush=True)
os.write(2, b"after")
"""


def test_only_the_screen_reaches_the_terminal() -> None:
    ours, theirs = pty.openpty()
    done = subprocess.run(
        [sys.executable, "-c", SAID],
        stderr=theirs,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
    )
    assert done.returncode == 0
    told = os.read(ours, 10_000).decode()
    os.close(ours)
    os.close(theirs)
    assert "complains" not in told
    assert told.split() == ["drawn", "after"]


def test_where_errors_go_to_a_file_they_still_do(tmp_path: Path) -> None:
    file = tmp_path / "errors"
    with file.open("wb") as errors:
        subprocess.run(
            [sys.executable, "-c", SAID],
            stderr=errors,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
            check=True,
        )
    assert "complains" in file.read_text()


KILLED = """
import os, signal, sys, tty
tty.setraw(0)
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_terminal_that_was_lent_to_what_is_killed_takes_keys_as_before() -> None:
    ours, theirs = pty.openpty()
    before = termios.tcgetattr(theirs)
    with lent_terminal(theirs):
        done = subprocess.run([sys.executable, "-c", KILLED], stdin=theirs, check=False)
        assert done.returncode == -signal.SIGKILL
        assert termios.tcgetattr(theirs) != before
    assert termios.tcgetattr(theirs) == before
    os.close(ours)
    os.close(theirs)


def test_ctrl_c_is_for_the_program_that_the_terminal_was_lent_to() -> None:
    ours, theirs = pty.openpty()
    with lent_terminal(theirs):
        waits = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
        os.kill(os.getpid(), signal.SIGINT)
        waits.send_signal(signal.SIGINT)
        assert waits.wait(30) != 0
    os.close(ours)
    os.close(theirs)


def test_keys_struck_while_a_screen_is_made_ready_are_neither_shown_nor_left_to_the_shell() -> None:
    ours, theirs = pty.openpty()
    before = termios.tcgetattr(theirs)
    with EarlyKeys(theirs) as early:
        os.write(ours, b"rm -r case\r\x03")  # Ctrl-C among them: it would end the program
        os.write(theirs, b"starting")
        assert os.read(ours, 1000) == b"starting"  # nothing echoed
        assert early.dropped()
        assert not early.dropped()
        os.write(ours, b"mm")
    assert termios.tcgetattr(theirs) == before
    os.set_blocking(theirs, False)
    with pytest.raises(BlockingIOError):
        os.read(theirs, 1000)
    os.close(ours)
    os.close(theirs)


def test_without_a_terminal_nothing_is_done() -> None:
    reads, writes = os.pipe()
    with EarlyKeys(reads) as early:
        os.write(writes, b"sound")
        assert not early.dropped()
    assert os.read(reads, 100) == b"sound"
    os.close(reads)
    os.close(writes)
