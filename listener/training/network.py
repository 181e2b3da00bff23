"""The acoustic network: a feed-forward time-delay network that Kaldi's nnet3 can run.

Two layers at 100 frames a second, then blocks at a third of that. A block is a narrow linear layer
and a wide one around it (a factored layer as in Povey et al., Interspeech 2018) with the block's
input added (He et al., 2016), so that depth and context cost few weights.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import nn

from listener.recognition.kaldi_files import SUBSAMPLING
from listener.recognition.phones import PDFS
from listener.training.distort import repeated_edges
from listener.training.features import BINS

Tensor = torch.Tensor


@dataclass(frozen=True, slots=True)
class Shape:
    """The sizes of a network's layers."""

    first: int = 256  # outputs of the first layer, at 100 frames a second
    width: int = 960  # of the blocks
    narrow: int = 240  # inside a block; 0 makes each block one full layer of three frames
    blocks: int = 11
    dropout: float = 0.1


def spliced(frames: Tensor, affine: nn.Conv1d) -> Tensor:
    """Return a convolution over (batch, frames, inputs) as one matrix product, far quicker on a GPU."""
    kernel, stride = affine.kernel_size[0], affine.stride[0]
    last = frames.shape[1] - kernel
    side_by_side = [frames[:, at : at + last + 1 : stride] for at in range(kernel)]
    joined = torch.cat(side_by_side, -1) if kernel > 1 else frames
    weights = affine.weight.permute(0, 2, 1).reshape(affine.out_channels, -1)
    return F.linear(joined, weights, affine.bias)


class Splice(nn.Module):
    """One affine layer over neighbouring frames, normalised over the batch."""

    def __init__(self, inputs: int, outputs: int, kernel: int, stride: int = 1) -> None:
        super().__init__()
        self.affine = nn.Conv1d(inputs, outputs, kernel, stride=stride)
        self.norm = nn.BatchNorm1d(outputs)

    def forward(self, frames: Tensor) -> Tensor:
        """Return (batch, frames out, outputs) for (batch, frames, inputs)."""
        out = spliced(frames, self.affine)
        normed: Tensor = self.norm(out.flatten(0, 1))
        return normed.view(out.shape)


class Block(nn.Module):
    """A layer that joins each three neighbouring frames to one, and adds the middle one to it."""

    def __init__(self, width: int, narrow: int) -> None:
        super().__init__()
        self.narrow = nn.Conv1d(width, narrow, 2, bias=False) if narrow else None
        self.wide = Splice(narrow or width, width, 2 if narrow else 3)

    def forward(self, frames: Tensor) -> Tensor:
        """Return (batch, frames - 2, width) for (batch, frames, width)."""
        inside = spliced(frames, self.narrow) if self.narrow is not None else frames
        return F.relu(self.wide(inside) + frames[:, 1:-1])


class Network(nn.Module):
    """Features (batch, frames, 40) to log-probabilities (batch, ceil(frames / 3), 41).

    Output j describes frame 3 j. Output 0 is blank, output i the i-th phone of `phones.py`.
    """

    def __init__(self, shape: Shape) -> None:
        super().__init__()
        self.shape = shape
        self.norm = nn.BatchNorm1d(BINS, affine=False)
        self.first = Splice(BINS, shape.first, 5)
        self.second = Splice(shape.first, shape.width, 3, stride=SUBSAMPLING)
        self.blocks = nn.ModuleList(Block(shape.width, shape.narrow) for _ in range(shape.blocks))
        self.out = nn.Conv1d(shape.width, PDFS, 1)

    @property
    def context(self) -> int:
        """Return how many frames it sees to each side."""
        return 2 + 1 + SUBSAMPLING * self.shape.blocks

    def forward(self, features: Tensor) -> Tensor:
        """Return the log-probabilities of features: (batch, frames, 40) to (batch,
        ceil(frames / 3), 41).
        """
        x = self.norm(features.flatten(0, 1)).view(features.shape)
        x = repeated_edges(x, self.context, self.context + SUBSAMPLING - 1)
        x = self._dropped(F.relu(self.first(x)))
        x = self._dropped(F.relu(self.second(x)))
        for block in self.blocks:
            x = self._dropped(block(x))
        wanted = -(-features.shape[1] // SUBSAMPLING)
        return F.log_softmax(spliced(x, self.out)[:, :wanted].float(), -1)

    def _dropped(self, x: Tensor) -> Tensor:
        return F.dropout(x, self.shape.dropout, self.training)
