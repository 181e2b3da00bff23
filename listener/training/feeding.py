"""Makes batches in processes of their own, so that the network never waits for distortion.

Distorting a batch costs about as much as learning from it. On a machine with several GPUs the
helpers share them with the trainer.
"""

from __future__ import annotations

import itertools
import queue
import threading
import time
from collections.abc import Iterator, Sequence
from multiprocessing.process import BaseProcess
from pathlib import Path

import torch
from torch import multiprocessing

from listener.training.clips import Job
from listener.training.data import PEOPLE_SHARE, Batch, Batches, Store
from listener.training.people import noises

READ_AGAIN_S = 240.0
"""Until the clips' folders are read anew."""


class Feed:
    """Endless training batches on `device`, made by helpers, one for each of `helper_devices`.

    Each clip of a batch is heard twice, in two distortions, where `twice`. `people` is the share of
    clips by people; the noises of `speech`, their folder, join the made ones. `others` as in `Batches`.
    """

    def __init__(
        self,
        jobs: Sequence[Job],
        folders: Sequence[Path],
        device: torch.device,
        helper_devices: Sequence[str],
        size: int,
        seed: int = 0,
        *,
        twice: bool = False,
        people: float = PEOPLE_SHARE,
        speech: Path | None = None,
        others: bool = False,
    ) -> None:
        self._device, self._twice = device, twice
        context = multiprocessing.get_context("spawn")
        self._made = context.Queue(4 * len(helper_devices))
        self._ready: queue.Queue[Batch] = queue.Queue(4)
        self._helpers: list[BaseProcess] = [
            context.Process(
                target=_help,
                args=(
                    jobs,
                    folders,
                    where,
                    size,
                    seed + at,
                    twice,
                    people,
                    speech,
                    others,
                    self._made,
                ),
                daemon=True,
            )
            for at, where in enumerate(helper_devices)
        ]
        for helper in self._helpers:
            helper.start()
        threading.Thread(target=self._carry, daemon=True).start()

    def __iter__(self) -> Iterator[Batch]:
        while True:
            yield self._ready.get()

    def _carry(self) -> None:
        while True:
            features, frames, labels, counts, people = self._made.get()
            self._ready.put(
                Batch(
                    features=features.to(self._device).float(),
                    frames=torch.from_numpy(frames),
                    labels=torch.from_numpy(labels).to(self._device),
                    label_counts=torch.from_numpy(counts),
                    twice=self._twice,
                    people=torch.from_numpy(people),
                )
            )

    def close(self) -> None:
        """End the helpers."""
        for helper in self._helpers:
            helper.terminate()


def _help(
    jobs: Sequence[Job],
    folders: Sequence[Path],
    where: str,
    size: int,
    seed: int,
    twice: bool,
    people: float,
    speech: Path | None,
    others: bool,
    made: multiprocessing.Queue,  # type: ignore[type-arg]
) -> None:
    torch.set_num_threads(1)
    recorded = noises(speech) if speech else None
    for reading in itertools.count():
        # Clips that were spoken meanwhile join; not in all helpers at once, or training would wait.
        until = time.monotonic() + READ_AGAIN_S * (1 + seed % 4 / 4)
        torch.manual_seed(seed + 1000 * reading)
        store = Store(jobs, folders, torch.device(where))
        batches = Batches(
            store,
            size,
            seed + 1000 * reading,
            twice=twice,
            people=people,
            noises=recorded,
            others=others,
        )
        for batch in batches.training():
            assert batch.people is not None
            labels, counts = batch.labels.cpu().numpy(), batch.label_counts.numpy()
            small = (batch.frames.numpy(), labels, counts, batch.people.numpy())
            # Half precision halves the way; a step of 1/64 in a log-mel value is far below its noise.
            made.put((batch.features.half().cpu(), *small))
            if time.monotonic() > until:
                break
