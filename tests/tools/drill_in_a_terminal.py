"""When faults are seen in a real terminal: `python -m tests.tools.drill_in_a_terminal [COLUMNS ROWS]`.

Runs `answerback demo faulty-drill` at real pace (four minutes) in tmux (Debian package `tmux`) and
reads the terminal twenty times a second. When a fault was due comes from the case's own facts; when it
was seen, from the clock in the screen's own header. Nothing is pressed.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from listener.storage.case_reader import open_case
from tests.whole.test_planted_faults import DRILL, FAULTS, on_screen

NAME = f"drill-{os.getpid()}"
COMMAND = "import sys; from tui.cli import main; sys.exit(main())"
ELAPSED = re.compile(r"(\d+):(\d\d) elapsed")


def tmux(*arguments: str) -> str:
    done = subprocess.run(
        ["tmux", "-L", NAME, *arguments], check=True, capture_output=True, text=True
    )
    return done.stdout


def screens(seconds: float) -> list[tuple[float, str]]:
    """(moment on this machine's clock, text) of each different screen until the drill has ended."""
    found: list[tuple[float, str]] = []
    until = time.monotonic() + seconds
    while time.monotonic() < until and not (found and "ENDED" in found[-1][1]):
        text = tmux("capture-pane", "-p")
        if not found or text != found[-1][1]:
            found.append((time.monotonic(), text))
        time.sleep(0.05)
    return found


def began(found: list[tuple[float, str]]) -> float:
    """When the case's clock stood at nought: the earliest that any header shows."""
    clocks = ((at, ELAPSED.search(text)) for at, text in found)
    return min(at - 60 * int(m[1]) - int(m[2]) for at, m in clocks if m)


def main() -> None:
    columns, rows = sys.argv[1:] or ("80", "24")
    with tempfile.TemporaryDirectory() as cases:
        run = [
            sys.executable,
            "-c",
            COMMAND,
            "demo",
            "faulty-drill",
            "--cases",
            cases,
            "--no-audio",
        ]
        tmux("new-session", "-d", "-x", columns, "-y", rows, *run)
        try:
            found = screens(DRILL["duration_s"] + 90)
        finally:
            tmux("kill-server")
        (folder,) = Path(cases).iterdir()
        case = open_case(folder).case()
    start = began(found)
    for name, (due, shows) in FAULTS.items():
        seen = next((at for at, text in found if on_screen(shows, text)), None)
        when = due(case, name)
        told = "never seen" if seen is None else f"seen {seen - start - when:.1f} s after"
        print(f"{name}: due at {when:.1f} s, {told}")
    print(f"terminal of {columns} x {rows}; load of the machine {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
