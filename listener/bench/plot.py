"""The figures of a bench run as one picture: shares right by condition, and reliability."""

from __future__ import annotations

from importlib.util import find_spec
from io import BytesIO
from pathlib import Path

from grammar.errors import UserError
from grammar.reports.measures import Share
from listener.bench.figures import Bench
from listener.storage.output_file import check_output, write_output

_RIGHT, _SILENT, _GREY = "#1b6ca8", "#b3261e", "#777777"


def check(path: Path, *, replace: bool = False) -> None:
    """Raise UserError where no picture can be drawn into `path`: better before a long run than after."""
    if path.suffix not in (".png", ".svg"):
        raise UserError(f"{path} must end in .png or .svg.")
    if find_spec("matplotlib") is None:
        raise UserError("A picture needs matplotlib: install the extra “plot”.")
    check_output(path, replace=replace)


def draw(bench: Bench, path: Path, *, replace: bool = False) -> None:
    """Write the picture, PNG or SVG by the ending of `path`. Raises UserError where it cannot be."""
    check(path, replace=replace)
    from matplotlib.figure import Figure  # noqa: PLC0415  (an extra, slow to load)

    figure = Figure(figsize=(11, 4.6), layout="constrained")
    left, right = figure.subplots(1, 2, width_ratios=(3, 2))
    names = list(bench.conditions)
    for label, colour, shift, shares in (
        ("call and slots right", _RIGHT, -0.1, [bench.conditions[n].right for n in names]),
        ("silent errors", _SILENT, 0.1, [bench.conditions[n].silent for n in names]),
    ):
        known = [(at + shift, one) for at, one in enumerate(shares) if one.value is not None]
        left.errorbar(
            [at for at, _ in known], [100 * (one.value or 0.0) for _, one in known],
            yerr=_bars([one for _, one in known]), fmt="o", color=colour, capsize=4, label=label,
        )  # fmt: skip
    left.set_xticks(range(len(names)), names)
    left.set_xlim(-0.5, len(names) - 0.5)
    left.set_ylim(-2, 102)
    left.set_ylabel("% of utterances, 95 % Wilson interval")
    left.set_title(f"{bench.engine}, {bench.clips} clips", fontsize=10)
    left.grid(axis="y", alpha=0.3)
    left.legend(loc="center left")
    bins = bench.reliability.bins
    right.plot([0, 1], [0, 100], color=_GREY, linestyle=":", label="as sure as right")
    right.errorbar(
        [one.confidence for one in bins], [100 * (one.right.value or 0.0) for one in bins],
        yerr=_bars([one.right for one in bins]), fmt="o-", color=_RIGHT, capsize=4,
        label="utterances heard",
    )  # fmt: skip
    for one in bins:
        at = (one.confidence, 100 * (one.right.value or 0.0))
        right.annotate(str(one.count), at, xytext=(6, -10), textcoords="offset points", fontsize=8)
    right.set_xlabel("confidence")
    right.set_ylabel("% right")
    right.set_title(f"expected calibration error {bench.reliability.error:.3f}", fontsize=10)
    right.grid(alpha=0.3)
    right.legend(loc="upper left")
    picture = BytesIO()
    figure.savefig(picture, format=path.suffix[1:], dpi=110)
    write_output(path, picture.getvalue(), replace=replace)


def _bars(shares: list[Share]) -> list[list[float]]:
    """Return how far the interval reaches below and above each share, in per cent."""
    values = [one.value or 0.0 for one in shares]
    return [
        [100 * max(0.0, value - one.low) for value, one in zip(values, shares, strict=True)],
        [100 * max(0.0, one.high - value) for value, one in zip(values, shares, strict=True)],
    ]
