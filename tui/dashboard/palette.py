"""The colours of the screen, as Textual themes. Nothing is told by colour alone.

One for a dark room, one for a bright corridor, one with the highest contrast. Every text colour here
has a contrast of at least 4.5 : 1 on the ground it is used on (WCAG 2.1, success criterion 1.4.3); a
test measures what the screen really draws.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from textual.app import App
from textual.theme import Theme

from grammar.case.loops import LoopState
from tui.dashboard.settings import Theme as Name

STATE_COLOURS: Mapping[LoopState, str] = MappingProxyType(
    {
        "open": "$ink",
        "unheard": "$ink",
        "unknown": "$ink",
        "answered": "$good",
        "closed": "$quiet",
        "unanswered": "$urgent",
        "differs": "$conflict",
        "withdrawn": "$quiet",
    }
)
"""The colour of each state of a call, the same in every part of the screen. `STATE_MARKS` and
`STATE_WORDS` in `tui/text/wording.py` give its sign and its word."""

LOUD: frozenset[LoopState] = frozenset({"unanswered", "differs"})
"""States that somebody must see first. They are drawn in bold."""


def state_style(state: LoopState) -> str:
    """Return the style of text that tells of a state."""
    return f"bold {STATE_COLOURS[state]}" if state in LOUD else STATE_COLOURS[state]


def state_badge(state: LoopState) -> str:
    """Return the style of a badge that tells of a state: on a ground of its colour where loud."""
    if state in LOUD:
        return f"bold $on-urgent on {STATE_COLOURS[state]}"
    return STATE_COLOURS[state]


def _theme(
    name: str,
    *,
    dark: bool,
    ink: str,
    quiet: str,
    ground: str,
    raised: str,
    heading: str,
    good: str,
    urgent: str,
    conflict: str,
    on_urgent: str,
    scrollbar: str,
) -> Theme:
    return Theme(
        name=f"answerback-{name}",
        dark=dark,
        primary=heading,
        secondary=quiet,
        accent=heading,
        foreground=ink,
        background=ground,
        surface=ground,
        panel=raised,
        warning=urgent,
        error=conflict,
        success=good,
        variables={
            "ink": ink,
            "quiet": quiet,
            "ground": ground,
            "raised": raised,
            "heading": heading,
            "good": good,
            "urgent": urgent,
            "conflict": conflict,
            "on-urgent": on_urgent,
            "scrollbar": scrollbar,
            "scrollbar-hover": quiet,
            "scrollbar-active": heading,
            "scrollbar-background": ground,
            "scrollbar-background-hover": ground,
            "scrollbar-background-active": ground,
            "scrollbar-corner-color": ground,
        },
    )


DARK = _theme(
    "dark",
    dark=True,
    ink="#eef1f3",
    quiet="#a9b6bf",
    ground="#0f1417",
    raised="#1b2329",
    heading="#8fc9f0",
    good="#9adfae",
    urgent="#ffce4a",
    conflict="#ffb1b1",
    on_urgent="#14100a",
    scrollbar="#5d6b75",
)
BRIGHT = _theme(
    "bright",
    dark=False,
    ink="#101417",
    quiet="#414b53",
    ground="#fbfaf6",
    raised="#e4e7e9",
    heading="#0a4a78",
    good="#155a2a",
    urgent="#7d3f00",
    conflict="#98102f",
    on_urgent="#ffffff",
    scrollbar="#7b868e",
)
CONTRAST = _theme(
    "contrast",
    dark=True,
    ink="#ffffff",
    quiet="#ffffff",
    ground="#000000",
    raised="#000000",
    heading="#6fe3ff",
    good="#7dff9b",
    urgent="#ffe100",
    conflict="#ffc2e8",
    on_urgent="#000000",
    scrollbar="#ffffff",
)

THEMES: dict[Name, Theme] = {"dark": DARK, "bright": BRIGHT, "contrast": CONTRAST}
"""By their names in the settings, in the order in which the key goes through them."""

IN_WORDS: dict[Name, str] = {
    "dark": "colours for a dark room",
    "bright": "colours for a bright corridor",
    "contrast": "highest contrast",
}


def dress(app: App[Any], colours: Name) -> None:
    """Give an application every theme, and put on the one of that name."""
    for theme in THEMES.values():
        app.register_theme(theme)
    app.theme = THEMES[colours].name
