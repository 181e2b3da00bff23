"""The files that vosk wants around an acoustic model, written without Kaldi or OpenFst.

Our model folder, as vosk 0.3.45 reads it:

    am/final.mdl                      the network (written by `listener/training`)
    conf/fbank.conf  conf/model.conf  features and search settings
    graph/HCLG.fst                    the decoding graph
    graph/words.txt                   word numbers
    graph/phones/word_boundary.int    which phones begin and end words
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import KW_ONLY, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray

from listener.recognition.phones import word_boundary_text

FEATURES = {
    "num-mel-bins": "40",
    "low-freq": "20",
    "high-freq": "7600",
    "sample-frequency": "16000",
    # Its noise differs from run to run, and ours (`dither.py`) does not.
    "dither": "0",
}
"""The log-mel features our model was trained on, as Kaldi's fbank options."""

FRAME_SHIFT_S = 0.01
SUBSAMPLING = 3
"""The network gives one output for this many feature frames: 30 ms."""


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """How hard the decoder searches. Kaldi's names in brackets."""

    beam: float = 12.0
    """Paths that cost this much more than the best, in nats, are dropped [beam]."""
    lattice_beam: float = 6.0
    """Paths within this of the best survive as alternatives, and so carry doubt [lattice-beam]."""
    min_active: int = 200
    """At least this many states stay alive in a frame [min-active]."""
    max_active: int = 3000
    """At most this many, which bounds the work in loud noise [max-active]."""
    acoustic_scale: float = 1.0
    """Weight of the network's log-probabilities against the graph's prices [acoustic-scale]."""
    chunk_frames: int = 60
    """The network takes so many feature frames of 10 ms at once [frames-per-chunk]. Each time it reads all
    its weights: with Kaldi's 20 hearing costs two thirds more. Words on their way are seen as much later;
    at a pause nothing waits for a whole chunk."""


_NEVER_S = 1000.0
"""Seconds of silence before Kaldi's own end-pointing: never, as our segments end by themselves."""


def model_conf(search: SearchSettings) -> str:
    """Return the text of `conf/model.conf`."""
    lines = [
        f"--beam={search.beam}",
        f"--lattice-beam={search.lattice_beam}",
        f"--min-active={search.min_active}",
        f"--max-active={search.max_active}",
        f"--acoustic-scale={search.acoustic_scale}",
        f"--frame-subsampling-factor={SUBSAMPLING}",
        f"--frames-per-chunk={search.chunk_frames}",
        # Alternatives need to differ in words only. With phones too, filler, which may be any phones,
        # makes lattices of tens of megabytes in long chatter.
        "--phone-determinize=false",
        "--endpoint.silence-phones=1",
        *(f"--endpoint.rule{rule}.min-trailing-silence={_NEVER_S}" for rule in range(1, 5)),
        f"--endpoint.rule5.min-utterance-length={_NEVER_S}",
    ]
    return "\n".join(lines) + "\n"


def fbank_conf() -> str:
    """Return the text of `conf/fbank.conf`."""
    return "".join(f"--{name}={value}\n" for name, value in FEATURES.items())


@dataclass(frozen=True, slots=True)
class DecodingGraph:
    """A weighted transducer from transition ids to words.

    `arcs` is int32, shape (n, 4), sorted by source state: source, input label, output label, next
    state; 0 is the empty label. `prices` is float32, shape (n,), in nats. `finals` is float32,
    shape (states,): the price of ending there, infinite where a sentence cannot end.
    """

    _: KW_ONLY
    arcs: NDArray[np.int32]
    prices: NDArray[np.float32]
    finals: NDArray[np.float32]
    start: int
    words: tuple[str, ...]
    """Output label k writes `words[k - 1]`."""


_FST_MAGIC = 2125659606
_FST_VERSION = 2


def vector_fst(graph: DecodingGraph) -> bytes:
    """Return the graph as OpenFst's binary "vector" type with "standard" arcs, little-endian.

    Layout (OpenFst 1.x, fst/fst.cc and fst/vector-fst.h): magic, type names, version, flags,
    properties, start, number of states, number of arcs; then each state as its final weight and
    arc count, followed by its arcs. Every field is a multiple of four bytes, so the body is laid
    out as one array of 32-bit words.
    """
    states = len(graph.finals)
    counts = np.bincount(graph.arcs[:, 0], minlength=states)
    first = np.concatenate([[0], np.cumsum(counts)])
    heads = 3 * np.arange(states) + 4 * first[:-1]
    body = np.zeros(3 * states + 4 * len(graph.arcs), dtype="<i4")
    body[heads] = graph.finals.astype("<f4").view("<i4")
    body[heads + 1] = counts
    at = 3 * (graph.arcs[:, 0] + 1) + 4 * np.arange(len(graph.arcs))
    body[at] = graph.arcs[:, 1]
    body[at + 1] = graph.arcs[:, 2]
    body[at + 2] = graph.prices.astype("<f4").view("<i4")
    body[at + 3] = graph.arcs[:, 3]
    header = b"".join(
        [
            np.array([_FST_MAGIC], "<i4").tobytes(),
            _string(b"vector"),
            _string(b"standard"),
            np.array([_FST_VERSION, 0], "<i4").tobytes(),
            np.array([0, graph.start, states, len(graph.arcs)], "<i8").tobytes(),
        ]
    )
    return header + body.tobytes()


def _string(text: bytes) -> bytes:
    return np.array([len(text)], "<i4").tobytes() + text


def words_text(words: Sequence[str]) -> str:
    """Return the text of `words.txt`: each word with its number, which counts from 1."""
    return "<eps> 0\n" + "".join(f"{word} {number}\n" for number, word in enumerate(words, 1))


@contextmanager
def model_folder(
    final_mdl: Path | bytes, graph: DecodingGraph, search: SearchSettings
) -> Iterator[Path]:
    """A temporary folder that vosk can load, gone when the context ends.

    vosk reads everything into memory while loading, so the folder is needed no longer than that. A network
    given as bytes is personal: it lies in memory, on no disk, where the system can do that, and else is
    written over at the end.
    """
    with TemporaryDirectory(prefix="answerback-") as name:
        folder = Path(name)
        for part in ("am", "conf", "graph/phones"):
            (folder / part).mkdir(parents=True)
        network = folder / "am" / "final.mdl"
        if isinstance(final_mdl, Path):
            link_or_copy(final_mdl, network)
        (folder / "conf" / "fbank.conf").write_text(fbank_conf())
        (folder / "conf" / "model.conf").write_text(model_conf(search))
        (folder / "graph" / "HCLG.fst").write_bytes(vector_fst(graph))
        (folder / "graph" / "words.txt").write_text(words_text(graph.words), encoding="utf-8")
        (folder / "graph" / "phones" / "word_boundary.int").write_text(word_boundary_text())
        with _private(final_mdl, network) if isinstance(final_mdl, bytes) else nullcontext():
            yield folder


@contextmanager
def _private(content: bytes, link: Path) -> Iterator[None]:
    """Give `content` at `link`, from memory where there is such a thing."""
    if not hasattr(os, "memfd_create") or not Path("/proc/self/fd").is_dir():
        link.write_bytes(content)
        try:
            yield
        finally:
            with link.open("r+b") as file:
                file.write(bytes(len(content)))
                file.flush()
                os.fsync(file.fileno())
        return
    with os.fdopen(os.memfd_create("network"), "wb") as file:
        file.write(content)
        file.flush()
        link.symlink_to(f"/proc/self/fd/{file.fileno()}")
        yield


def link_or_copy(source: Path, target: Path) -> None:
    """`target` becomes a link to the file or folder `source`, or a copy where there are no links."""
    try:
        target.symlink_to(source.resolve())
    except OSError:  # Windows without the right to link, or a file system without links
        if source.is_dir():
            shutil.copytree(source, target)
        else:
            shutil.copyfile(source, target)
