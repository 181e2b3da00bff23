"""Checklists answered item by item."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from grammar.case.chunked_sequence import ChunkedSequence
from grammar.protocol.model import Checklist


@dataclass(frozen=True, slots=True)
class ChecklistProgress:
    """`answered` maps item id to the time it was answered; `completed` is when it was called complete."""

    id: str
    title: str
    items: tuple[tuple[str, str], ...]
    answered: Mapping[str, float]
    completed: float | None = None
    facts: ChunkedSequence[int] = field(default_factory=ChunkedSequence)

    @property
    def missing(self) -> tuple[str, ...]:
        """Ids of the items not answered yet."""
        return tuple(item for item, _ in self.items if item not in self.answered)

    @property
    def state(self) -> Literal["not-started", "partly-done", "done"]:
        """Return how far the list is; `done` once nothing is missing."""
        if not self.answered:
            return "not-started"
        return "partly-done" if self.missing else "done"


def begin(checklist: Checklist) -> ChecklistProgress:
    """Return a checklist with nothing answered."""
    items = tuple((item.id, item.title or item.spoken[0]) for item in checklist.items)
    return ChecklistProgress(checklist.id, checklist.title, items, {})
