"""Reads and changes the weights in Kaldi's binary `final.mdl`, as `listener/training/export.py` writes it.

Weights are Kaldi compressed matrices of one byte a number ("CM", matrix/compressed-matrix.cc). A matrix
of the same shape takes the same number of bytes, so that other weights can take their place.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float32]
Affine = tuple[Array, Array]
"""Weights (outputs, offsets x inputs), inputs of the first offset first, and bias (outputs,)."""

_COMPONENT = re.compile(rb"<ComponentName> (\w+) <FixedAffineComponent> <LinearParams> CM ")
_BIAS = b"<BiasParams> FV \4"
_HEAD = struct.calcsize("<ffii")


def affines_of(data: bytes) -> dict[str, Affine]:
    """Return the affine components by name, in the order of the file; none where it is another's file."""
    return {name: affine for name, affine, _, _ in _found(data)}


def with_affines(data: bytes, affines: Mapping[str, Affine]) -> bytes:
    """Return the file with other weights and biases of the same shapes in place of those named.

    Raises ValueError where a shape is another.
    """
    parts: list[bytes] = []
    done = 0
    for name, (weights, bias), at, bias_at in _found(data):
        if name not in affines:
            continue
        other, shift = affines[name]
        if other.shape != weights.shape or shift.shape != bias.shape:
            raise ValueError(f"{name} has another shape.")
        matrix = b"".join(compressed_matrix(other))
        between = data[at + len(matrix) : bias_at]
        parts += [data[done:at], matrix, between, shift.astype("<f4").tobytes()]
        done = bias_at + bias.nbytes
    return b"".join([*parts, data[done:]])


def compressed_matrix(matrix: Array) -> Iterator[bytes]:
    """Yield the parts of a "CM" matrix after its name.

    Each column has a scale of its own: its lowest value, quartiles and highest value, between which 64, 128
    and 63 steps are even.
    """
    low, high = float(matrix.min()), float(matrix.max())
    yield struct.pack("<ffii", low, high - low, *matrix.shape)
    marks = np.percentile(matrix, [0, 25, 75, 100], axis=0)
    codes = np.round((marks - low) / (high - low) * 65535).astype(np.int64)
    # Kaldi wants four different ones; the last three are moved up, or, at the top, all down.
    codes = np.maximum.accumulate(codes - np.arange(4)[:, None]) + np.arange(4)[:, None]
    codes = np.minimum(codes, 65532 + np.arange(4)[:, None])
    yield codes.T.astype("<u2").tobytes()
    ends = low + (high - low) * codes / 65535
    for column, at in zip(matrix.T, ends.T, strict=True):
        yield np.round(np.interp(column, at, [0, 64, 192, 255])).astype(np.uint8).tobytes()


def _found(data: bytes) -> Iterator[tuple[str, Affine, int, int]]:
    """Yield each component's name, weights and bias, and where in the file both begin."""
    for found in _COMPONENT.finditer(data):
        begins = found.end()
        low, span, rows, columns = struct.unpack_from("<ffii", data, begins)
        at = begins + _HEAD
        codes = np.frombuffer(data, "<u2", 4 * columns, at).reshape(columns, 4)
        ends = low + span * codes.astype(np.float64) / 65535
        steps = np.frombuffer(data, np.uint8, rows * columns, at + codes.nbytes)
        steps = steps.reshape(columns, rows)
        pairs = zip(steps, ends, strict=True)
        weights = np.stack([np.interp(column, [0, 64, 192, 255], end) for column, end in pairs], 1)
        bias_at = data.index(_BIAS, at + codes.nbytes + steps.nbytes) + len(_BIAS) + 4
        bias = np.frombuffer(data, "<f4", rows, bias_at).copy()
        yield found[1].decode(), (weights.astype(np.float32), bias), begins, bias_at
