"""The colours of the screen, as a Textual theme. Nothing is told by colour alone.

Every text colour here has a contrast of at least 4.5 : 1 on the ground it is used on (WCAG 2.1,
success criterion 1.4.3); a test measures what the screen really draws.
"""

from __future__ import annotations

from textual.theme import Theme

DARK = Theme(
    name="answerback-dark",
    dark=True,
    primary="#8fc9f0",
    secondary="#b9c4cc",
    accent="#8fc9f0",
    foreground="#eef1f3",
    background="#0f1417",
    surface="#0f1417",
    panel="#1b2329",
    warning="#ffce4a",
    error="#ff9e9e",
    success="#9adfae",
    variables={
        "ink": "#eef1f3",
        "quiet": "#a9b6bf",
        "ground": "#0f1417",
        "raised": "#1b2329",
        "heading": "#8fc9f0",
        "good": "#9adfae",
        "urgent": "#ffce4a",
        "conflict": "#ffb1b1",
        "on-urgent": "#14100a",
        "scrollbar": "#5d6b75",
        "scrollbar-hover": "#8fa0ac",
        "scrollbar-active": "#8fc9f0",
        "scrollbar-background": "#0f1417",
        "scrollbar-background-hover": "#0f1417",
        "scrollbar-background-active": "#0f1417",
        "scrollbar-corner-color": "#0f1417",
    },
)
