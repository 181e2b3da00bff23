"""Presses random keys on the dashboard: `python -m tests.tools.fuzz_keys [KEYS]`, 100,000 unless given.

One sitting in fifty waits after each key until the screen stands still, as slow fingers do; in the others
the keys come on each other's heels, and a picture is drawn after forty. A key that raises ends the script
with its traceback, after the keys that led there.
"""

from __future__ import annotations

import asyncio
import random
import string
import sys
from unittest.mock import patch

from textual import events

from tests.support.screens import ShownCase, case, desk, heard, note, status
from tui.dashboard.app import Dashboard
from tui.dashboard.dialogs.box import DialogBox
from tui.dashboard.keys import TABLE, textual_name

NAMED = sorted({key.key for key in TABLE if len(key.key) > 1})
KEYS = [
    *[*NAMED, "enter", "tab", "space", "left", "right", "ctrl+u", "delete", "f1"] * 3,
    *string.ascii_lowercase,
    *string.digits,
    *"?!.,-+ %/éß한☃",
]
SIZES = ((80, 24), (100, 30), (40, 12), (140, 50))
SITTING = 400
"""Keys to one case."""
SLOW = 50
"""One sitting in so many has slow fingers."""
AT_ONCE = 40
"""Keys between two pictures, where fingers are quick."""


async def strike(seen: ShownCase, key: str) -> None:
    """A key as the terminal's driver gives it to the application, which is not waited for."""
    character = key if len(key) == 1 else {"space": " "}.get(key)
    with patch.object(Dashboard, "look", _unseen), patch.object(DialogBox, "draw", _unseen):
        await seen.app.on_event(events.Key(textual_name(key) if len(key) == 1 else key, character))


def _unseen(_: object) -> None:
    """Drawing costs a hundred times what a key does."""


async def press(seed: int, count: int = SITTING) -> int:
    """Press so many keys on one case; it ends early where they quit. How many were pressed."""
    rng = random.Random(seed)
    told = (
        heard(10, "drugs nurse give ketamine ninety milligrams", "team-leader"),
        heard(20, "timer sixty", "team-leader"),
        heard(30, "heart rate sixteen", "drugs-nurse", 0.2),
        note(40, "\x1b[31mfrom elsewhere\x07"),
    )
    trouble = status(troubles=("7 not stored yet: \x1b]0;x\x07disk full",), unstored_from=4)
    pressed: list[str] = []
    async with desk(case(*told), 50.0, rng.choice(SIZES), trouble) as seen:
        for _ in range(count):
            if not seen.app.is_running:
                break
            pressed.append(rng.choice(KEYS))
            try:
                if seed % SLOW == 0:
                    await asyncio.wait_for(seen.pilot.press(pressed[-1]), 30)
                else:
                    await asyncio.wait_for(strike(seen, pressed[-1]), 30)
                    if len(pressed) % AT_ONCE == 0:
                        seen.app.look()
                        await asyncio.wait_for(seen.pilot.pause(), 30)
            except BaseException:
                print(f"seed {seed}, after the keys {pressed}", file=sys.stderr)
                raise
            seen.now += rng.choice((0.0, 0.1, 5.0))
    return len(pressed)


async def main() -> None:
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    pressed = seed = 0
    while pressed < wanted:
        pressed += await press(seed)
        seed += 1
    print(f"{pressed} keys pressed on {seed} cases: no traceback, no hang")


if __name__ == "__main__":
    asyncio.run(main())
