"""The sure ear in a process of its own: where it fails, the quick ear goes on alone, and that is said."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Final, runtime_checkable
from typing import Protocol as Interface

from grammar.errors import UserError
from grammar.language.phrases import network
from grammar.protocol.model import Protocol
from listener.audio.samples import Samples
from listener.recognition.grammar_beam import never
from listener.recognition.sure_ear import SureEar, SureHearing
from listener.recognition.whisper_files import SIZES, WhisperModel, sure_model
from listener.recognition.worker_process import OptionalProcess, give_back_memory

PATIENCE_S: Final = 30.0
"""An answer takes a fifth of the sound's length; on a crowded machine some seconds."""

START_PATIENCE_S: Final = 90.0

MOST_THREADS: Final = 2
"""More gain little: most of a hearing is reading weights from memory."""
PRIORITY: Final = 5
"""Steps by which its process stands behind the quick ear and the microphone, where that is known."""

ONLY_QUICK: Final = "ANSWERBACK_EARS"
"""Set to `quick` in the environment, it keeps the sure ear away: for tests, and for old machines. Set to a
size, such as `small`, it takes the sure ear of that size."""


class SureListener(Interface):
    """A sure ear, in this process or in one of its own."""

    name: str

    def hear(self, samples: Samples) -> SureHearing | None:
        """Return the sentences of a sound, shape (n,); None where the ear cannot say."""


@runtime_checkable
class DroppingListener(Interface):
    """A sure ear that can drop a sound on the way."""

    def hear_unless(self, samples: Samples, unwanted: Callable[[], bool]) -> SureHearing | None:
        """Hear as `hear` does; None, soon, once `unwanted` says that nobody wants it."""


def heard_unless(
    ear: SureListener, samples: Samples, unwanted: Callable[[], bool]
) -> SureHearing | None:
    """Return what a sure ear makes of a sound that nobody may want any more: None once `unwanted` says so,
    on the way if that ear can drop a sound."""
    if unwanted():
        return None
    if isinstance(ear, DroppingListener):
        return ear.hear_unless(samples, unwanted)
    return ear.hear(samples)


def start_sure_ear(protocol: Protocol) -> SupervisedSureEar | None:
    """Start the sure ear for a protocol; return None where its weights are not installed, or the
    environment wants none.

    Raises UserError where the weights are not those that were measured.
    """
    model = wanted_model()
    if model is None:
        return None
    threads = min(MOST_THREADS, os.cpu_count() or 1)
    make = partial(load_sure_ear, protocol, model.folder, threads=threads)
    return SupervisedSureEar(make, model.name)


def wanted_model() -> WhisperModel | None:
    """Return the sure ear's model; None where none is installed, or the environment wants none."""
    wanted = os.environ.get(ONLY_QUICK, "")
    return None if wanted == "quick" else sure_model(wanted if wanted in SIZES else SIZES[0])


def load_sure_ear(protocol: Protocol, folder: Path, threads: int = 1) -> SureEar:
    """Load the sure ear in this process. Raises UserError where the model in `folder` cannot be loaded."""
    return SureEar(folder, network(protocol), protocol.protocol.language, threads)


class SupervisedSureEar(OptionalProcess):
    """A sure ear that `make` builds in another process. Not for several threads at once."""

    def __init__(
        self, make: Callable[[], SureListener], name: str, patience_s: float = PATIENCE_S
    ) -> None:
        """`make` can be pickled. Its process begins at once and is not waited for."""
        super().__init__(
            partial(_Answering, make),
            patience_s=patience_s,
            start_patience_s=START_PATIENCE_S,
            name="the second hearing",
            once_failed="one utterance was heard only once",
            given_up="calls are heard only once from here on",
        )
        self.name = name

    @property
    def listens(self) -> bool:
        """Return whether there is still a process to ask."""
        return self.process is not None

    def hear(self, samples: Samples) -> SureHearing | None:
        """Hear as `SureEar.hear` does; return None also where the process failed, which becomes news."""
        return self._heard(samples, None)

    def hear_unless(self, samples: Samples, unwanted: Callable[[], bool]) -> SureHearing | None:
        """Hear as `hear` does; None, soon, once `unwanted` says that nobody wants it."""
        return self._heard(samples, unwanted)

    def _heard(self, samples: Samples, unwanted: Callable[[], bool] | None) -> SureHearing | None:
        try:
            found: SureHearing | None = self.answer(samples, unwanted=unwanted)
            return found
        except UserError as error:
            self._news.append(f"the second hearing does not work: {error}")
            return None


class _Answering:
    """The other side."""

    def __init__(self, make: Callable[[], SureListener]) -> None:
        if hasattr(os, "nice"):
            os.nice(PRIORITY)
        self._ear = make()
        self.unwanted: Callable[[], bool] = never
        give_back_memory()

    def __call__(self, samples: Samples) -> SureHearing | None:
        found = heard_unless(self._ear, samples, self.unwanted)
        give_back_memory()
        return found
