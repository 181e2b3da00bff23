"""The watches over one source, asked block by block."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Protocol

from grammar.case.facts import Warned
from listener.audio.blocks import Block


class Watch(Protocol):
    """Looks at every block for one kind of trouble. Pure: it knows only the blocks it was given."""

    what: str
    """The id of its warnings."""

    def look(self, block: Block) -> str:
        """Return a sentence on the trouble up to the end of this block; "" while all is well."""
        ...


class Watching:
    """Asks each watch; a trouble that begins becomes a warning, and so does one that takes its place."""

    def __init__(self, watches: Sequence[Watch]) -> None:
        self.troubles: tuple[str, ...] = ()
        """Troubles of the moment, each a sentence."""
        self._watches = watches
        self._current = [""] * len(watches)

    def look(self, block: Block) -> list[Warned]:
        """Return the warnings that begin with this block."""
        warnings = []
        for index, watch in enumerate(self._watches):
            trouble = watch.look(block)
            if trouble and kind_of(trouble) != kind_of(self._current[index]):
                warnings.append(Warned(t=block.t, what=watch.what, text=trouble))
            self._current[index] = trouble
        self.troubles = tuple(trouble for trouble in self._current if trouble)
        return warnings


def kind_of(trouble: str) -> str:
    """Return a trouble without its numbers, which may be measured anew with every block."""
    return re.sub(r"[0-9.]+", "#", trouble)
