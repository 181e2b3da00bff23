"""Trains the network by the paths that the decoding graph allows, and averages its weights."""

from __future__ import annotations

import itertools
import math
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import torch
from torch import nn

from listener.kaldi_files import SUBSAMPLING
from listener.phones import PDFS
from listener.training.data import Batch, Batches
from listener.training.distort import missing_band
from listener.training.network import Network, Shape

Tensor = torch.Tensor
Prior = npt.NDArray[np.float64]
EVEN: Prior = np.full(PDFS, 1 / PDFS)
_NEVER = -1e30  # log-probability; finite, as infinities have no gradient


@dataclass(frozen=True, slots=True)
class Plan:
    """How long and how hard to train. Ends after `seconds` or `steps`, whichever comes first."""

    seconds: float = 540.0
    steps: int = 1_000_000
    batch: int = 192
    rate: float = 2e-3
    decay: float = 1e-3  # of weights
    average_over: int = 1000  # steps whose weights the running average holds
    report_every: int = 1000  # steps
    keep_every_s: float = 30.0
    seed: int = 0
    bfloat16: bool = False  # on a processor too: twice as fast where it has AMX, slower elsewhere


@dataclass(frozen=True, slots=True)
class Trained:
    """A network with averaged weights, its outputs' shares on training sound, and the losses."""

    network: Network
    prior: Prior
    losses: tuple[float, ...]  # mean of each `report_every` steps

    def save(self, path: Path) -> None:
        """For `load`, and to go on from. Weights in half precision: they end as 16 bits anyway."""
        state = {
            name: value.half().cpu() if name.endswith("weight") else value.cpu()
            for name, value in self.network.state_dict().items()
        }
        torch.save({"shape": asdict(self.network.shape), "state": state, "prior": self.prior}, path)


def load(path: Path) -> Trained:
    """What `Trained.save` wrote."""
    kept = torch.load(path, map_location="cpu", weights_only=False)
    network = Network(Shape(**kept["shape"]))
    network.load_state_dict(kept["state"])
    return Trained(network.eval(), kept["prior"], ())


def train(
    batches: Iterable[Batch],
    shape: Shape,
    plan: Plan,
    device: torch.device,
    *,
    start: Trained | None = None,
    watched: Batches | None = None,
    keep: Path | None = None,
) -> Trained:
    """Train on endless `batches`; the result has the average of the last steps' weights.

    The learning rate rises over the first twentieth and then falls as half a cosine, by time or by
    steps, whichever is further on. `watched` clips are only looked at, for the progress lines on
    standard error. Every `keep_every_s` the average so far is saved to `keep`.
    """
    torch.manual_seed(plan.seed)
    network = (start.network if start else Network(shape)).to(device).train()
    fused = device.type == "cuda"
    optimiser = torch.optim.AdamW(
        network.parameters(), lr=plan.rate, weight_decay=plan.decay, fused=fused
    )
    average = _Average(network)
    began = kept = time.monotonic()
    running, losses = torch.zeros((), device=device), list[float]()
    source = iter(batches)
    for step in itertools.count():
        done = max((time.monotonic() - began) / plan.seconds, step / plan.steps)
        if done >= 1:
            break
        batch = next(source)
        for group in optimiser.param_groups:
            rise = min(1.0, (done + 1e-3) / 0.05)
            group["lr"] = plan.rate * rise * (0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * done)))
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=fused or plan.bfloat16):
            guess = network(missing_band(batch.features))
        loss = path_loss(guess, batch)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimiser.step()
        average.update(network, min(1 - 1 / plan.average_over, (step + 1) / (step + 50)))
        running += loss.detach()
        if (step + 1) % plan.report_every == 0:
            losses.append(float(running) / plan.report_every)
            running.zero_()
            seen = f" watched {phone_errors(network, watched):.3f}" if watched else ""
            line = f"step {step + 1} {done:.0%} loss {losses[-1]:.4f}{seen}"
            print(line, file=sys.stderr, flush=True)
        if keep and time.monotonic() - kept > plan.keep_every_s:
            kept = time.monotonic()
            Trained(average.network(shape, network), EVEN, ()).save(keep)
    made = average.network(shape, network).to(device).eval()
    return Trained(made, _prior(made, source), tuple(losses))


def path_loss(guess: Tensor, batch: Batch) -> Tensor:
    """Minus the log-probability of a clip's label over all paths, per label, mean over clips.

    As CTC (Graves et al., 2006) but for one thing: a phone is emitted in exactly one frame, all
    others are blank, as in the decoding graph. With CTC's own loss one phone frame in ten was a
    repetition, which the graph has to take for a blank, at a cost of 4 nats a clip.
    `guess` (batch, outputs, 40) are log-probabilities. Clips of few labels count as of ten: else an
    empty one, all noise, would outweigh its batch.
    """
    counts = batch.label_counts.to(guess.device)
    outputs = (batch.frames.to(guess.device) + SUBSAMPLING - 1) // SUBSAMPLING
    width = max(int(batch.label_counts.max()), 1)
    labels = torch.zeros(len(counts), width, dtype=torch.long, device=guess.device)
    labels[torch.arange(width, device=guess.device)[None] < counts[:, None]] = batch.labels
    phones = guess.gather(2, labels[:, None].expand(-1, guess.shape[1], -1)).unbind(1)
    blanks = guess[..., :1].unbind(1)
    # so_far[clip, n]: log-probability of all paths that have emitted n labels by this frame
    never = guess.new_full((len(counts), 1), _NEVER)
    so_far = torch.cat([torch.zeros_like(never), never.expand(-1, width)], 1)
    for frame in range(guess.shape[1]):
        stayed = so_far + blanks[frame]
        moved = torch.cat([never, so_far[:, :-1] + phones[frame]], 1)
        running = (frame < outputs)[:, None]
        so_far = torch.where(running, torch.logaddexp(stayed, moved), so_far)
    clips = -so_far.gather(1, counts[:, None])[:, 0]
    possible = clips < -_NEVER / 2  # but for a clip of more phones than frames
    return (torch.where(possible, clips, 0.0) / counts.clamp(min=10)).mean()


class _Average:
    """A running average of a network's weights and statistics."""

    def __init__(self, network: Network) -> None:
        state = network.state_dict()
        self.names = [name for name, value in state.items() if value.is_floating_point()]
        self.values = [state[name].detach().clone() for name in self.names]

    @torch.no_grad()
    def update(self, network: Network, keep: float) -> None:
        """Move a little towards the network's weights."""
        state = network.state_dict()
        torch._foreach_lerp_(self.values, [state[name] for name in self.names], 1 - keep)

    def network(self, shape: Shape, like: Network) -> Network:
        """A network with the averaged weights."""
        made = Network(shape)
        averaged = dict(zip(self.names, self.values, strict=True))
        made.load_state_dict({**like.state_dict(), **averaged})
        return made


@torch.no_grad()
def phone_errors(network: Network, batches: Batches, most: int = 400) -> float:
    """Share of wrong phones by the best path, of plain clips (not through a decoding graph)."""
    network.eval()
    errors = count = 0
    ids = list(range(0, len(batches.store.jobs), max(1, len(batches.store.jobs) // most)))
    for at in range(0, len(ids), batches.size):
        chosen = ids[at : at + batches.size]
        batch = batches.plain(chosen)
        best = network(batch.features).argmax(-1).cpu().numpy()
        for row, one, frames in zip(best, chosen, batch.frames.tolist(), strict=True):
            path = row[: -(-frames // SUBSAMPLING)]
            changes = np.concatenate([[True], path[1:] != path[:-1]])
            heard = [int(phone) for phone in path[changes] if phone]
            errors += edits(batches.store.labels[one], heard)
            count += len(batches.store.labels[one])
    network.train()
    return errors / max(count, 1)


def edits(right: Sequence[int], heard: Sequence[int]) -> int:
    """Levenshtein distance."""
    row = list(range(len(heard) + 1))
    for phone in right:
        diagonal, row[0] = row[0], row[0] + 1
        for at, other in enumerate(heard, start=1):
            best = min(row[at] + 1, row[at - 1] + 1, diagonal + (phone != other))
            diagonal, row[at] = row[at], best
    return row[-1]


@torch.no_grad()
def _prior(network: Network, source: Iterator[Batch], count: int = 20) -> Prior:
    """The outputs' mean shares over some batches."""
    total = np.zeros(PDFS)
    for batch in itertools.islice(source, count):
        total += network(batch.features).exp().mean((0, 1)).double().cpu().numpy()
    return np.asarray(total / total.sum(), np.float64)
