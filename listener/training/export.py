"""Writes a trained network as Kaldi's binary `final.mdl`: transition model, nnet3 network, priors.

The format is Kaldi's own (hmm/transition-model.cc, nnet3/nnet-nnet.cc and the components' Write
functions in nnet3/nnet-simple-component.cc), of which vosk 0.3.45 reads the binary form. Weights are
Kaldi compressed matrices of one byte a number ("CM", matrix/compressed-matrix.cc), which halves the
file against two.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch import nn

from listener.recognition.kaldi_files import SUBSAMPLING
from listener.recognition.network_file import compressed_matrix
from listener.recognition.phones import BLANK_PDF, PDFS, POSITIONED, pdf_of
from listener.training.features import BINS
from listener.training.network import Block, Network, Splice
from listener.training.train import Trained

Array = npt.NDArray[np.float32]
PRIOR_POWER = 0.3
"""Kaldi divides the network's shares by the priors; a power below 1 does so by part. Of 0, 0.15,
0.3, 0.45 and 0.6 this was best on the calibrating voices (499, 512, 517, 516, 516 of 544 calls)."""


@dataclass(frozen=True, slots=True)
class Affine:
    """One affine component: `weights` (outputs, offsets x inputs), inputs of the first offset first."""

    name: str
    source: str  # the node it reads
    offsets: tuple[int, ...]  # in feature frames
    weights: Array
    bias: Array
    rectified: bool = False
    added: str = ""  # a node whose value is added before the rectifier

    @property
    def out(self) -> str:
        """The node that holds its result."""
        return f"{self.name}.relu" if self.rectified else self.name


def affines(network: Network) -> list[Affine]:
    """Return the network as affine layers, its normalisations folded in."""
    scale = (network.norm.running_var + network.norm.eps) ** -0.5  # type: ignore[operator]
    shift = -network.norm.running_mean * scale  # type: ignore[operator]
    weight, bias = _folded(network.first)
    bias = bias + (weight * shift[None, :, None]).sum((1, 2))
    layers = [
        _affine(
            "first",
            "input",
            (-2, -1, 0, 1, 2),
            weight=weight * scale[None, :, None],
            bias=bias,
            rectified=True,
        )
    ]
    weight, bias = _folded(network.second)
    layers.append(
        _affine("second", layers[-1].out, (-1, 0, 1), weight=weight, bias=bias, rectified=True)
    )
    for number, block in enumerate(network.blocks):
        assert isinstance(block, Block)
        whole = source = layers[-1].out
        offsets: tuple[int, ...] = (-SUBSAMPLING, 0, SUBSAMPLING)
        if block.narrow is not None:
            none = torch.zeros(block.narrow.out_channels)
            layers.append(
                _affine(
                    f"narrow{number}",
                    whole,
                    offsets[:2],
                    weight=block.narrow.weight,
                    bias=none,
                    rectified=False,
                )
            )
            source, offsets = layers[-1].out, offsets[1:]
        weight, bias = _folded(block.wide)
        layers.append(
            _affine(
                f"wide{number}",
                source,
                offsets,
                weight=weight,
                bias=bias,
                rectified=True,
                added=whole,
            )
        )
    assert network.out.bias is not None
    last = _affine(
        "last",
        layers[-1].out,
        (0,),
        weight=network.out.weight,
        bias=network.out.bias,
        rectified=False,
    )
    return [*layers, last]


def _folded(splice: Splice) -> tuple[torch.Tensor, torch.Tensor]:
    norm, affine = splice.norm, splice.affine
    assert norm.running_var is not None and norm.running_mean is not None
    assert affine.bias is not None
    gain = norm.weight / (norm.running_var + norm.eps).sqrt()
    bias = (affine.bias - norm.running_mean) * gain + norm.bias
    return affine.weight * gain[:, None, None], bias


def _affine(
    name: str,
    source: str,
    offsets: tuple[int, ...],
    *,
    weight: torch.Tensor,
    bias: torch.Tensor,
    rectified: bool,
    added: str = "",
) -> Affine:
    rows = weight.detach().permute(0, 2, 1).reshape(len(weight), -1).numpy()
    return Affine(
        name=name,
        source=source,
        offsets=offsets,
        weights=rows,
        bias=bias.detach().numpy(),
        rectified=rectified,
        added=added,
    )


class _Writer:
    """Kaldi's binary stream: tokens end with a space, numbers carry their size."""

    def __init__(self) -> None:
        self.parts: list[bytes] = [b"\0B"]

    def token(self, *texts: str) -> None:
        """Write a token and the space that ends it."""
        self.parts += [text.encode() + b" " for text in texts]

    def integer(self, *numbers: int) -> None:
        """Write a 32-bit integer after its size."""
        self.parts += [b"\4" + struct.pack("<i", number) for number in numbers]

    def single(self, number: float) -> None:
        """Write a 32-bit float after its size."""
        self.parts.append(b"\4" + struct.pack("<f", number))

    def double(self, number: float) -> None:
        """Write a 64-bit float after its size."""
        self.parts.append(b"\x08" + struct.pack("<d", number))

    def integers(self, numbers: Iterable[int]) -> None:
        """Write a list of 32-bit integers after their count."""
        listed = np.fromiter(numbers, "<i4")
        self.parts.append(b"\4" + struct.pack("<i", len(listed)) + listed.tobytes())

    def vector(self, numbers: Sequence[float] | npt.NDArray[Any]) -> None:
        """Write a vector of 32-bit floats."""
        listed = np.asarray(numbers, "<f4")
        self.token("FV")
        self.integer(len(listed))
        self.parts.append(listed.tobytes())

    def compressed(self, matrix: Array) -> None:
        """Write a matrix in one byte a number."""
        self.token("CM")
        self.parts += compressed_matrix(matrix)


def final_mdl(layers: Sequence[Affine], prior: npt.NDArray[np.float64]) -> bytes:
    """Return the file's bytes; `prior` (41,) are the outputs' shares, already raised to their power."""
    out = _Writer()
    _write_transitions(out)
    out.token("<Nnet3>")
    out.parts.append(b"\n" + "\n".join(_config(layers)).encode() + b"\n\n")
    rectified = [layer for layer in layers if layer.rectified]
    out.token("<NumComponents>")
    out.integer(len(layers) + len(rectified) + 1)
    for layer in layers:
        out.token("<ComponentName>", layer.name, "<FixedAffineComponent>", "<LinearParams>")
        out.compressed(layer.weights)
        out.token("<BiasParams>")
        out.vector(layer.bias)
        out.token("</FixedAffineComponent>")
        if layer.rectified:
            _write_nonlinearity(out, layer.out, "RectifiedLinearComponent", len(layer.bias))
    _write_nonlinearity(out, "log", "LogSoftmaxComponent", PDFS)
    out.token("</Nnet3>")
    out.token("<LeftContext>")
    out.integer(sum(-min(layer.offsets) for layer in layers))
    out.token("<RightContext>")
    out.integer(sum(max(layer.offsets) for layer in layers))
    out.token("<Priors>")
    out.vector(prior / prior.sum())
    return b"".join(out.parts)


def _write_transitions(out: _Writer) -> None:
    """CTC as a topology: a phone's one state emits the phone on entry, blank while it stays."""
    count = len(POSITIONED)
    out.token("<TransitionModel>", "<Topology>")
    out.integers(range(1, count + 1))
    out.integers([-1] + [0] * count)
    out.integer(-1, 1, 2)  # the form with a self-loop pdf of its own; one entry of two states
    out.integer(0, 1, 2)  # state 0: forward pdf class 0, self-loop pdf class 1, two transitions
    for target in (0, 1):
        out.integer(target)
        out.single(0.5)
    out.integer(-1, -1, 0)  # state 1: final, emits nothing
    out.token("</Topology>", "<Tuples>")
    out.integer(count)
    for number, phone in enumerate(POSITIONED, start=1):
        out.integer(number, 0, pdf_of(phone), BLANK_PDF)
    out.token("</Tuples>", "<LogProbs>")
    out.vector([0.0] + [float(np.log(0.5))] * (2 * count))
    out.token("</LogProbs>", "</TransitionModel>")


def _config(layers: Sequence[Affine]) -> list[str]:
    lines = [f"input-node name=input dim={BINS}"]
    for layer in layers:
        places = [
            f"Offset({layer.source}, {offset})" if offset else layer.source
            for offset in layer.offsets
        ]
        source = f"Append({', '.join(places)})" if len(places) > 1 else places[0]
        lines.append(f"component-node name={layer.name} component={layer.name} input={source}")
        if layer.rectified:
            summed = f"Sum({layer.name}, {layer.added})" if layer.added else layer.name
            lines.append(f"component-node name={layer.out} component={layer.out} input={summed}")
    lines.append(f"component-node name=log component=log input={layers[-1].out}")
    lines.append("output-node name=output input=log objective=linear")
    return lines


def _write_nonlinearity(out: _Writer, name: str, kind: str, size: int) -> None:
    """Its statistics, of use only in Kaldi's own training, are left empty."""
    out.token("<ComponentName>", name, f"<{kind}>", "<Dim>")
    out.integer(size)
    for statistic in ("<ValueAvg>", "<DerivAvg>"):
        out.token(statistic)
        out.vector([])
    out.token("<Count>")
    out.double(0.0)
    out.token("<OderivRms>")
    out.vector([])
    for statistic in ("<OderivCount>", "<NumDimsSelfRepaired>", "<NumDimsProcessed>"):
        out.token(statistic)
        out.double(0.0)
    out.token(f"</{kind}>")


def export(trained: Trained, path: Path, prior_power: float = PRIOR_POWER) -> None:
    """Write `path` (final.mdl), whole or not at all."""
    network: nn.Module = trained.network.to("cpu").eval()
    assert isinstance(network, Network)
    partial = path.with_name(path.name + ".part")
    partial.write_bytes(final_mdl(affines(network), trained.prior**prior_power))
    partial.replace(path)
