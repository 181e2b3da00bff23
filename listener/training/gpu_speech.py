"""Speaks Kokoro clips on GPUs, several processes to each: thousands of clips a minute."""

from __future__ import annotations

import time
from collections.abc import Sequence
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import soxr

from listener.training.clips import Job, write_clip
from listener.training.engines import gathered
from listener.training.voices import RATE, level, style_of, voice


def speak_on_gpus(
    jobs: Sequence[Job], folder: Path, devices: Sequence[str], each: int, seconds: float
) -> int:
    """Speak Kokoro jobs into `folder` for at most `seconds`; returns how many clips are there.

    `devices` are PyTorch's names ("cuda:0"), `each` the processes on each: one clip alone is far too
    small for a GPU.
    """
    folder.mkdir(parents=True, exist_ok=True)
    workers = [device for _ in range(each) for device in devices]
    until = time.time() + seconds
    context = get_context("spawn")
    started = [
        context.Process(target=_work, args=(jobs[at :: len(workers)], folder, device, until))
        for at, device in enumerate(workers)
    ]
    for process in started:
        process.start()
    for process in started:
        process.join()
    return sum((folder / job.file).exists() for job in jobs)


def _work(jobs: Sequence[Job], folder: Path, device: str, until: float) -> None:
    import numpy as np  # noqa: PLC0415
    import onnx  # noqa: PLC0415
    import torch  # noqa: PLC0415

    from listener.training.onnx_torch import Graph, floated  # noqa: PLC0415

    torch.set_num_threads(1)
    graph = Graph(floated(onnx.load(str(gathered() / "kokoro.onnx"))), device)
    for job in jobs:
        if time.time() > until:
            return
        if (folder / job.file).exists():
            continue
        style = style_of(voice(job.voice))
        inputs: dict[str, np.ndarray[Any, Any]] = {
            "tokens": np.array([[0, *job.tokens, 0]], np.int64),
            "style": style[None, len(job.tokens) - 1],
            "speed": np.array([job.speed], np.float32),
        }
        sound = graph(inputs).ravel().astype(np.float32)
        write_clip(job, level(soxr.resample(sound, 24000, RATE)), folder)
