"""Whether a case is as it was stored, told in one sentence on everything that is made from it.

The chain of facts and the seals are checked each time a case is read; `case_reader.open_case`
refuses one that fails. The sound is held to its seal by
`seals.verify` alone, since that takes as long as reading all of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pydantic import ValidationError

from listener.storage.seals_format import Sealed


@dataclass(frozen=True, slots=True)
class Integrity:
    """The result of a check, for people."""

    told: str
    """One sentence, for every page and export."""
    altered: str = ""
    """Says in one clause how it was changed since it was stored; "" where it was not, as far as is seen."""
    lacking: str = ""
    """A sentence on seals that are missing beside the journal; "" where none is. A crash may have taken
    them, so that they are told and no reason to refuse a case."""


NOT_CHECKED = Integrity("Not checked against its chain.")
"""Of a case that was never stored."""


UNCHAINED = Integrity("Written by an older answerback without a chain: changes cannot be found.")
"""Of a case from before the chain."""


def judge(
    facts: int,
    *,
    misfit: str,
    seals: Sequence[str],
    copy: Sequence[str],
    heads: Mapping[int, str],
    torn: str,
) -> Integrity:
    """Return what was found out about a case.

    `facts` is how many there are and `misfit` the first that does not fit; `seals` are the lines in the
    journal, `copy` those of the file beside it, and `heads` the hashes of the facts that seals count,
    by number. `torn` says what a power cut took: then facts and seals may be missing, and are no sign
    of anything worse.
    """
    problem = misfit or _of_seals(facts, seals, copy=copy, heads=heads, torn=bool(torn))
    if problem:
        return Integrity(f"ALTERED after it was stored: {problem}.", problem)
    if torn:
        return Integrity(
            f"Damaged: {torn}. The {facts} facts that are left are as they were stored."
        )
    missing = len(seals) - len(copy)
    lacking = (
        f"The file of seals lacks {missing} of the journal's {len(seals)}." if missing > 0 else ""
    )
    last = _read(seals[-1]) if seals else None
    if last is None:
        return Integrity(f"Checked: {facts} facts as they were stored, under no seal.")
    signed = ", signed" if last.signed else ""
    after = facts - last.seal.facts
    later = f", {after} of them after its last seal" if after else ""
    told = f"Checked: {facts} facts as they were stored{later}, sealed{signed}. {lacking}".strip()
    return Integrity(told, lacking=lacking)


def _of_seals(
    facts: int, seals: Sequence[str], *, copy: Sequence[str], heads: Mapping[int, str], torn: bool
) -> str:
    if not torn and list(copy[: len(seals)]) != list(seals[: len(copy)]):
        return "the journal and the file of seals hold different seals"
    if not torn and len(copy) > len(seals):
        return "the journal lacks a seal that stands in the file of seals"
    for number, line in enumerate(seals, start=1):
        found = _read(line)
        if found is None or found.line != line:
            return f"seal {number} cannot be read"
        if (found.key or found.signature) and not found.signed:
            return f"the signature of seal {number} does not fit"
        count = found.seal.facts
        if count > facts and not torn:
            return f"fact {facts + 1} is missing: seal {number} counts {count}"
        if count in heads and found.seal.head != heads[count]:
            return f"fact {count} is not the one that seal {number} names"
    return ""


def sealed_counts(seals: Sequence[str]) -> frozenset[int]:
    """Return how many facts each seal counts: the numbers of the facts that `judge` wants the hashes of."""
    return frozenset(found.seal.facts for line in seals if (found := _read(line)))


def _read(line: str) -> Sealed | None:
    try:
        return Sealed.model_validate_json(line)
    except ValidationError:
        return None
