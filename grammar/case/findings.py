"""Findings: what a careful observer would write down, each with the facts it rests on."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """A rule or limit that was broken. `rule` is the rule's id, `t` seconds on the case's clock when it
    became true, `facts` the `seq` of the facts that it rests on.
    """

    rule: str
    t: float
    facts: tuple[int, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Countdown:
    """A rule that is not broken yet, and the moment it is due.

    `wait` counts towards something allowed only after `due`; otherwise `due` is a limit.
    """

    rule: str
    title: str
    started: float
    due: float
    wait: bool
    facts: tuple[int, ...]
