"""Trains the network by the paths that the decoding graph allows, and averages its weights."""

from __future__ import annotations

import copy
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

from listener.recognition.kaldi_files import SUBSAMPLING
from listener.recognition.phones import PDFS
from listener.training.data import Batch, Batches
from listener.training.distort import hidden_parts
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
    agreement: float = 0.2  # weight of `disagreement`, where a batch has each clip twice
    faith: float = 0.0  # weight of `departure` from the network that training began with
    still: bool = False  # normalisations keep their means and variances
    bfloat16: bool = False  # on a processor too: twice as fast where it has AMX, slower elsewhere


@dataclass(frozen=True, slots=True)
class Trained:
    """A network with averaged weights, its outputs' shares on training sound, and the losses."""

    network: Network
    prior: Prior
    losses: tuple[float, ...]  # mean of each `report_every` steps

    def save(self, path: Path) -> None:
        """Write it for `load_network`, and to go on from; in half precision, since weights end as 16 bits
        anyway.
        """
        state = {
            name: value.half().cpu() if name.endswith("weight") else value.cpu()
            for name, value in self.network.state_dict().items()
        }
        torch.save({"shape": asdict(self.network.shape), "state": state, "prior": self.prior}, path)


def load_network(path: Path) -> Trained:
    """Return the network that `Trained.save` wrote."""
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
    standard error. Every `keep_every_s` the average so far is saved to `keep`. With `plan.faith`, what
    `start` heard in synthetic clips is held to.
    """
    torch.manual_seed(plan.seed)
    network = (start.network if start else Network(shape)).to(device).train()
    before = copy.deepcopy(network).eval().requires_grad_(False) if plan.faith else None
    fused = device.type == "cuda"
    half = fused or plan.bfloat16
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
        if plan.still and network.training:
            _still(network)
        for group in optimiser.param_groups:
            rise = min(1.0, (done + 1e-3) / 0.05)
            group["lr"] = plan.rate * rise * (0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * done)))
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=half):
            guess = network(hidden_parts(batch.features))
        loss = path_loss(guess, batch)
        if batch.twice:
            loss = loss + plan.agreement * disagreement(guess, batch)
        if before is not None:
            with torch.no_grad(), torch.autocast(device.type, dtype=torch.bfloat16, enabled=half):
                known = before(batch.features)
            loss = loss + plan.faith * departure(guess, known, batch)
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


def _still(network: Network) -> None:
    for part in network.modules():
        if isinstance(part, nn.BatchNorm1d):
            part.eval()


def path_loss(guess: Tensor, batch: Batch) -> Tensor:
    """Return minus the log-probability of a clip's label over all paths, per label, mean over clips.

    As CTC (Graves et al., 2006) but for one thing: a phone is emitted in exactly one frame, all others are
    blank, as in the decoding graph. With CTC's own loss one phone frame in ten was a repetition, which the
    graph has to take for a blank, at a cost of 4 nats a clip. `guess` (batch, outputs, 41) are
    log-probabilities.
    Clips of few labels count as of ten: else an empty one, all noise, would outweigh its batch.
    The gradient is written down rather than left to autograd: that of minus a log-probability is minus the
    share of paths that pass there. Some thousand small kernels a step are saved.
    """
    with torch.no_grad():
        clips, shares = _paths(guess, batch)
    weight = _a_label(batch, guess.device) / len(clips)
    slope = -(guess * shares * weight[:, None, None]).sum()
    return slope + ((clips * weight).sum() - slope).detach()


def disagreement(guess: Tensor, batch: Batch) -> Tensor:
    """Return how far apart the network hears the two distortions of each clip, per label, mean over rows.

    The divergence of a row's outputs from its twin's, which is taken as given (Yao et al., 2025,
    "CR-CTC"): what the network hears in the less distorted one teaches it about the other.
    `guess` (batch, outputs, 41) are log-probabilities, the second half of the first half's clips.
    """
    half = len(guess) // 2
    twin = torch.cat([guess[half:], guess[:half]]).detach()
    _, within = _outputs(guess, batch)
    apart = ((twin.exp() * (twin - guess)).sum(-1) * within).sum(1)
    return (apart * _a_label(batch, guess.device)).mean()


def departure(guess: Tensor, known: Tensor, batch: Batch) -> Tensor:
    """Return how far the network hears synthetic clips from what it heard before, per label, row means.

    The divergence of its outputs `guess` from the old ones, `known` (both batch, outputs, 41;
    log-probabilities), in clips without people (Li and Hoiem, 2016, "Learning without forgetting").
    A row counts as far as the old network was right: by the likelihood it gave a label there, in the
    geometric mean.
    """
    _, within = _outputs(guess, batch)
    a_label = _a_label(batch, guess.device)
    right = (-_paths(known, batch)[0] * a_label).exp()
    if batch.people is not None:
        right = right * ~batch.people.to(guess.device)
    apart = ((known.exp() * (known - guess)).sum(-1) * within).sum(1)
    return (apart * a_label * right).mean()


def _a_label(batch: Batch, device: torch.device) -> Tensor:
    """Return the inverse of the number that each clip's loss is divided by, (batch,): its labels,
    or 10 where they are fewer."""
    return 1 / batch.label_counts.to(device).clamp(min=10)


def _outputs(guess: Tensor, batch: Batch) -> tuple[Tensor, Tensor]:
    """Return how many outputs each clip has (batch,), and which of `guess` they are (batch, outputs)."""
    counts = (batch.frames.to(guess.device) + SUBSAMPLING - 1) // SUBSAMPLING
    return counts, torch.arange(guess.shape[1], device=guess.device)[None] < counts[:, None]


def _paths(guess: Tensor, batch: Batch) -> tuple[Tensor, Tensor]:
    """Minus each clip's log-probability (batch,), and for each output the share of its paths there.

    The shares have the shape of `guess`. A clip of more phones than outputs has no path: zeros.
    """
    device, (clips, frames, _) = guess.device, guess.shape
    counts = batch.label_counts.to(device)
    outputs, within = _outputs(guess, batch)
    width = max(int(batch.label_counts.max()), 1)
    labelled = torch.arange(width, device=device)[None] < counts[:, None]
    labels = torch.zeros(clips, width, dtype=torch.long, device=device)
    labels[labelled] = batch.labels
    phones = guess.gather(2, labels[:, None].expand(-1, frames, -1))
    phones = phones.masked_fill(~(labelled[:, None] & within[..., None]), _NEVER)
    blanks = guess[..., 0].masked_fill(~within, 0.0)
    # Forwards and backwards at once: the second half of the batch is the first, turned round.
    turned = (outputs[:, None] - 1 - torch.arange(frames, device=device)) % frames
    mirrored = (counts[:, None] - 1 - torch.arange(width, device=device)) % width
    back = phones.gather(1, turned[..., None].expand_as(phones))
    back = back.gather(2, mirrored[:, None].expand_as(phones))
    so_far = _forwards(
        torch.cat([phones, back]).transpose(0, 1).contiguous(),
        torch.cat([blanks, blanks.gather(1, turned)]).transpose(0, 1)[..., None].contiguous(),
    )
    whole = so_far[-1, :clips].gather(1, counts[:, None])
    possible = whole > _NEVER / 2
    # Of the paths that emit label n in this frame: n - 1 labels before it, and those after it.
    before = so_far[:-1, :clips, :-1].transpose(0, 1)
    after = so_far[:-1, clips:].transpose(0, 1)
    after = after.gather(1, turned[..., None].expand(-1, -1, width + 1))
    after = after.gather(2, mirrored[:, None].expand_as(phones))
    emitted = (before + phones + after - whole[..., None]).exp() * possible[..., None]
    shares = torch.zeros_like(guess).scatter_add_(
        2, labels[:, None].expand_as(emitted), emitted * labelled[:, None]
    )
    shares[..., 0] = (1 - emitted.sum(-1)) * (within & possible)
    return torch.where(possible, -whole, 0.0)[:, 0], shares


def _forwards(phones: Tensor, blanks: Tensor) -> Tensor:
    """Log-probabilities (outputs + 1, clips, width + 1) of having emitted n labels by an output.

    `phones` (outputs, clips, width) and `blanks` (outputs, clips, 1) are log-probabilities.
    """
    frames, clips, width = phones.shape
    so_far = phones.new_full((frames + 1, clips, width + 1), _NEVER)
    so_far[0, :, 0] = 0
    for frame in range(frames):
        here, then = so_far[frame], so_far[frame + 1]
        torch.add(here, blanks[frame], out=then)
        moved = here[:, :-1] + phones[frame]
        torch.logaddexp(then[:, 1:], moved, out=then[:, 1:])
    return so_far


class _Average:
    """A running average of a network's weights and statistics."""

    def __init__(self, network: Network) -> None:
        state = network.state_dict()
        self.names = [name for name, value in state.items() if value.is_floating_point()]
        self.values = [state[name].detach().clone() for name in self.names]

    @torch.no_grad()
    def update(self, network: Network, keep: float) -> None:
        """Move the average a little towards the network's weights."""
        state = network.state_dict()
        torch._foreach_lerp_(self.values, [state[name] for name in self.names], 1 - keep)

    def network(self, shape: Shape, like: Network) -> Network:
        """Return a network with the averaged weights."""
        made = Network(shape)
        averaged = dict(zip(self.names, self.values, strict=True))
        made.load_state_dict({**like.state_dict(), **averaged})
        return made


@torch.no_grad()
def phone_errors(network: Network, batches: Batches, most: int = 400) -> float:
    """Return the share of wrong phones by the best path, of plain clips (not through a decoding graph)."""
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
    """Return the Levenshtein distance of two lists: how many insertions, deletions and substitutions part
    them.
    """
    row = list(range(len(heard) + 1))
    for phone in right:
        diagonal, row[0] = row[0], row[0] + 1
        for at, other in enumerate(heard, start=1):
            best = min(row[at] + 1, row[at - 1] + 1, diagonal + (phone != other))
            diagonal, row[at] = row[at], best
    return row[-1]


@torch.no_grad()
def _prior(network: Network, source: Iterator[Batch], count: int = 20) -> Prior:
    """Return the outputs' mean shares over some batches."""
    total = np.zeros(PDFS)
    for batch in itertools.islice(source, count):
        total += network(batch.features).exp().mean((0, 1)).double().cpu().numpy()
    return np.asarray(total / total.sum(), np.float64)
