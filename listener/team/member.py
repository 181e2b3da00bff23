"""A member of the team whose voice is known, as it is kept in memory and written down.

A voiceprint is biometric data. It is made only after its person said yes, and written only where they
agreed that it be kept (`voiceprint_store.py`).
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterable
from dataclasses import astuple, dataclass

import numpy as np

from grammar.errors import UserError
from listener.team.doubt_fitting import FittedBounds, Weighed, bounds_of
from listener.team.ear_comparison import EarScore
from listener.team.speaker_encoder.encoder import WEIGHTS, Voiceprint

ENCODER = "+".join(name.removesuffix(".npz") for name in WEIGHTS) + "/1"
"""Prints of another encoder cannot be compared; raise the number whenever a weight changes."""


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Member:
    """A person who agreed to be known, with their voiceprint."""

    station: str
    """A station of the protocol."""
    prints: tuple[Voiceprint, ...]
    """One for each sentence of their card."""
    agreed: str
    """When they said yes, wall clock, ISO 8601."""
    ears: tuple[EarScore, ...] = ()
    """How each ear heard their card."""
    name: str = ""
    """The name under which it is kept; empty for this case only."""
    weighed: tuple[Weighed, ...] = ()
    """How sure the ears were of the sentences of their card, and where they were right."""

    def __repr__(self) -> str:
        return f"Member({self.station!r}, {len(self.prints)} prints)"


def bounds_for(members: Iterable[Member], quick: str) -> FittedBounds:
    """Return the bounds of doubt that fit members' cards, where the engine `quick` is the quick ear."""
    return bounds_of([one for member in members for one in member.weighed], quick)


def as_json(member: Member) -> str:
    """Return a member as one line."""
    prints = np.stack(member.prints).astype("<f2")
    found = {
        "station": member.station,
        "name": member.name,
        "agreed": member.agreed,
        "encoder": ENCODER,
        "prints": base64.b64encode(prints.tobytes()).decode(),
        "count": len(member.prints),
        "ears": [astuple(one) for one in member.ears],
        "weighed": [astuple(one) for one in member.weighed],
    }
    return json.dumps(found, ensure_ascii=False)


def from_json(text: str, where: str) -> Member:
    """Return the member of one line. Raises UserError, naming `where`, for one that is none or has prints
    of another encoder."""
    try:
        found = json.loads(text)
        encoder = str(found["encoder"])
        station, name, agreed = (str(found[each]) for each in ("station", "name", "agreed"))
        flat = np.frombuffer(base64.b64decode(found["prints"], validate=True), "<f2")
        ears = tuple(
            EarScore(
                name=str(name),
                recogniser=str(engine),
                model=str(model),
                right=int(right),
                of=int(of),
            )
            for name, engine, model, right, of in found["ears"]
        )
        weighed = tuple(
            Weighed(
                ear=str(ear),
                confidence=float(sure),
                right=bool(right),
                bound=float(bound),
                aside=bool(aside),
            )
            for ear, sure, right, bound, aside in found.get("weighed", ())
        )
        prints = flat.astype(np.float32).reshape(int(found["count"]), -1)
    except (ValueError, KeyError, TypeError):
        raise UserError(f"{where} cannot be read as a voice that was kept.") from None
    if encoder != ENCODER:
        raise UserError(f"{where} is of another version: have the card read again.")
    if not len(prints) or not np.isfinite(prints).all():
        raise UserError(f"{where} cannot be read as a voice that was kept.")
    return Member(
        station=station, prints=tuple(prints), agreed=agreed, ears=ears, name=name, weighed=weighed
    )
