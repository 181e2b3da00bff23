"""A matrix of weights cut into narrow panels, by which few rows are multiplied in half the time.

A library of matrix products copies the weights into an order of its own before it multiplies, which for a
dozen rows takes longer than the product. OpenBLAS leaves that out for small products on processors with
AVX-512 (`interface/gemm.c`, `SMALL_MATRIX_OPT`); on others panels take about as long as the whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from listener.recognition.helping_thread import HelpingThread

Array = NDArray[Any]
"""Always of 32-bit numbers."""

WIDTH: Final = 32
"""Columns of a panel: 15 rows of 2,048 numbers times a panel are still fewer than the million products up
to which OpenBLAS takes the short way."""

_WORTH: Final = 3e6
"""Multiplications that take longer than to wake another thread, some hundredths of a millisecond."""


class Panelled:
    """A matrix of weights, shape (inputs, outputs)."""

    def __init__(self, weight: NDArray[Any]) -> None:
        inputs, self.outputs = weight.shape
        count = -(-self.outputs // WIDTH)
        self._panels = np.zeros((count, inputs, WIDTH), np.float32)
        whole = self.outputs // WIDTH
        full = weight[:, : whole * WIDTH].reshape(inputs, whole, WIDTH)
        self._panels[:whole] = full.transpose(1, 0, 2)
        if whole < count:
            self._panels[whole, :, : self.outputs - whole * WIDTH] = weight[:, whole * WIDTH :]
        self._products = self._sorted = np.empty(0, np.float32)
        self.helper: HelpingThread | None = None
        """One that does half of each product."""

    def columns(self, which: Sequence[int]) -> Array:
        """Return columns as rows, shape (columns, inputs)."""
        at = np.asarray(which)
        return np.asarray(self._panels[at // WIDTH, :, at % WIDTH])

    def times(self, x: Array) -> Array:
        """Return `x @ weight`, shape (rows, outputs), a new array."""
        products = np.empty((len(self._panels), len(x), WIDTH), np.float32)
        self._multiply(x, self._panels, products)
        return np.asarray(products.transpose(1, 0, 2).reshape(len(x), -1)[:, : self.outputs])

    def first_times(self, x: Array, count: int | None) -> Array:
        """Return the first `count` columns of `x @ weight`, all where it is None, shape (rows, count).

        The array is written anew by the next call: a new one of this size would cost more than the
        arithmetic.
        """
        count = self.outputs if count is None else count
        panels = self._panels[: -(-count // WIDTH)]
        rows, size = len(x), len(x) * len(panels) * WIDTH
        if len(self._products) < size:
            self._products, self._sorted = np.empty(size, np.float32), np.empty(size, np.float32)
        products = self._products[:size].reshape(len(panels), rows, WIDTH)
        found = self._sorted[:size].reshape(rows, len(panels), WIDTH)
        self._multiply(x, panels, products)
        np.copyto(found, products.transpose(1, 0, 2))
        return found.reshape(rows, -1)[:, :count]

    def _multiply(self, x: Array, panels: Array, products: Array) -> None:
        half = len(panels) // 2
        if self.helper is None or panels.size * len(x) < _WORTH:
            np.matmul(x, panels, out=products)
            return
        self.helper.both(
            lambda: np.matmul(x, panels[:half], out=products[:half]),
            lambda: np.matmul(x, panels[half:], out=products[half:]),
        )
