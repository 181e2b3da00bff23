"""The choices of the command line, before a case is heard."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from platformdirs import user_state_path

from listener.team.fitted_store import FittedNetwork
from listener.team.member import Member


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseOptions:
    """The choices of the command line."""

    protocol: str
    weight_kg: float | None
    recogniser: str
    model: Path | None
    cases: Path
    record: bool
    real_pace: bool
    passphrase: str | None = field(default=None, repr=False)
    sign_with: Path | None = None
    """The file of the key that signs the case at its end."""
    resume: Path | None = None
    """The folder of a case to go on with; its own protocol then holds."""
    reopen: bool = False
    """Go on even with a case that has ended."""
    channels: tuple[tuple[int, str], ...] = ()
    """Input channels, from 1, and the stations that they belong to."""
    drill: bool | None = None
    """Whether it is a drill; None where nobody said."""
    scenario: str = ""
    objectives: tuple[str, ...] = ()
    """Both as in `CaseStarted`."""
    note: str = ""
    """A note of consent to the recording, taken before it begins."""
    team: tuple[Member, ...] = ()
    """Members who agreed to be known by voice."""
    fitted: FittedNetwork | None = None
    """The quick ear's network as it was fitted to them."""
    sounds: bool = False
    """Sounds for what wants attention."""
    speak: bool = False
    """Spoken prompts likewise."""
    rescued: Path = field(
        default_factory=lambda: user_state_path("answerback", appauthor=False) / "rescued"
    )
    """Where a case goes whose own disk took not all of it."""
