"""Reads a network back from Kaldi's `final.mdl`, as `export.py` writes it, to train on from.

Normalisations are folded into the weights there. They come back as ones that change nothing: held
still, or, after `renormalised`, at work again without a change to the network's outputs.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import islice
from pathlib import Path
from typing import cast

import numpy as np
import numpy.typing as npt
import torch
from torch import nn

from listener.recognition.network_file import affines_of
from listener.recognition.phones import PDFS
from listener.training.data import Batch
from listener.training.export import PRIOR_POWER
from listener.training.network import Block, Network, Shape, Splice
from listener.training.train import Trained

Array = npt.NDArray[np.float32]


def read_final_mdl(path: Path) -> Trained:
    """Return the network and its outputs' shares; raises ValueError where `export.py` did not write it."""
    data = path.read_bytes()
    layers = affines_of(data)
    if "first" not in layers or "last" not in layers:
        raise ValueError(f"{path} holds no network of ours.")
    blocks = sum(name.startswith("wide") for name in layers)
    first, second = layers["first"][0], layers["second"][0]
    narrow = len(layers["narrow0"][0]) if "narrow0" in layers else 0
    network = Network(Shape(len(first), len(second), narrow, blocks))
    _held(network.norm)
    _fill(network.first, *layers["first"])
    _fill(network.second, *layers["second"])
    for number, block in enumerate(network.blocks):
        assert isinstance(block, Block)
        if block.narrow is not None:
            block.narrow.weight.data = _convolution(layers[f"narrow{number}"][0], block.narrow)
        _fill(block.wide, *layers[f"wide{number}"])
    weights, bias = layers["last"]
    network.out.weight.data = _convolution(weights, network.out)
    assert network.out.bias is not None
    network.out.bias.data = torch.from_numpy(bias)
    at = data.index(b"<Priors> FV \4") + len(b"<Priors> FV \4") + 4
    prior = np.frombuffer(data, "<f4", PDFS, at).astype(np.float64) ** (1 / PRIOR_POWER)
    return Trained(network.eval(), prior / prior.sum(), ())


def mixed(parts: Sequence[Trained]) -> Trained:
    """Return one network whose every weight is the mean of theirs, of networks that began as the same one.

    The mean keeps most of what they learned apart, and forgets less of what they began with (Wortsman
    et al., 2022, "Robust fine-tuning of zero-shot models"). Normalisations must change nothing, as
    `read_final_mdl` has them.
    """
    made = Network(parts[0].network.shape)
    states = [part.network.state_dict() for part in parts]
    made.load_state_dict(
        {
            name: torch.stack([state[name].float() for state in states]).mean(0).to(value.dtype)
            for name, value in states[0].items()
        }
    )
    prior = np.mean([part.prior for part in parts], axis=0)
    return Trained(made.eval(), prior / prior.sum(), ())


def _convolution(weights: Array, like: nn.Conv1d) -> torch.Tensor:
    """Weights (outputs, kernel x inputs) as a convolution's (outputs, inputs, kernel)."""
    split = weights.reshape(len(weights), like.kernel_size[0], like.in_channels)
    return torch.from_numpy(split.transpose(0, 2, 1).copy())


def _fill(splice: Splice, weights: Array, bias: Array) -> None:
    splice.affine.weight.data = _convolution(weights, splice.affine)
    assert splice.affine.bias is not None
    splice.affine.bias.data = torch.from_numpy(bias)
    _held(splice.norm)


def _held(norm: nn.BatchNorm1d) -> None:
    """Make a normalisation change nothing."""
    assert norm.running_mean is not None and norm.running_var is not None
    norm.running_mean.zero_()
    norm.running_var.fill_(1 - norm.eps)


@torch.no_grad()
def renormalised(trained: Trained, batches: Iterable[Batch], count: int = 20) -> Trained:
    """Return the same network with its normalisations in it again, their statistics taken from `batches`.

    Each is given the mean and variance of its inputs over `count` batches, and the gain and shift
    that undo it. Training at high rates needs them: without, weights run away.
    """
    network = trained.network
    norms = [part for part in network.modules() if isinstance(part, nn.BatchNorm1d)]
    sums = {norm: [torch.zeros(()), torch.zeros(()), torch.zeros(())] for norm in norms}

    def note(norm: nn.Module, inputs: tuple[torch.Tensor, ...], _: object) -> None:
        rows = inputs[0].double()
        kept = sums[cast(nn.BatchNorm1d, norm)]
        for at, part in enumerate((torch.tensor(len(rows)), rows.sum(0), (rows**2).sum(0))):
            kept[at] = kept[at].to(part.device) + part

    hooks = [norm.register_forward_hook(note) for norm in norms]
    for batch in islice(batches, count):
        network(batch.features)
    for hook in hooks:
        hook.remove()
    for norm in norms:
        rows, total, squares = sums[norm]
        mean = (total / rows).float()
        spread = (squares / rows).float() - mean**2
        assert norm.running_mean is not None and norm.running_var is not None
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(spread)
        gain = (spread + norm.eps).sqrt()
        if norm.affine:
            norm.weight.copy_(gain)
            norm.bias.copy_(mean)
        else:  # of the features: the next layer undoes it
            first = network.first.affine
            assert first.bias is not None
            first.bias += (first.weight * mean[None, :, None]).sum((1, 2))
            first.weight *= gain[None, :, None]
    return trained
