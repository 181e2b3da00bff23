"""A bench run as tables for people, in Markdown."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from grammar.reports.measures import Share
from listener.bench.figures import Bench, Figures


def page(bench: Bench) -> str:
    """Return every figure; each share with its 95 % Wilson interval."""
    return "\n".join(_lines(bench))


_Rows = tuple[tuple[str, Callable[[Figures], str]], ...]


def _rows() -> _Rows:
    return (
        ("call and slots right", lambda one: _share(one.right)),
        ("silent errors, of those with a dose or a number", lambda one: _share(one.silent)),
        ("wrong in any part, and not marked unsure", lambda one: _share(one.wrong_sure)),
        ("true calls lost", lambda one: _share(one.lost)),
        ("lone numbers right", lambda one: _share(one.numbers)),
        ("false calls in ten minutes of unrelated speech", _false),
        ("… of these not marked unsure", _false_sure),
        ("word error rate", lambda one: _per_cent(one.word_error_rate)),
        ("heard rightly, but marked unsure", lambda one: _share(one.doubt.right_unsure)),
        ("heard wrongly, and marked unsure", lambda one: _share(one.doubt.wrong_unsure)),
        ("wrong drug, unit or number, and marked unsure", lambda one: _share(one.doubt.caught)),
    )


def side_by_side(benches: Sequence[Bench]) -> str:
    """Return the figures of several engines on the same clips, one column each."""
    first = benches[0]
    lines = [f"{first.clips} clips. Shares in per cent, with 95 % Wilson intervals.", ""]
    rows = [
        [f"{name}: {label}", *(cell(one.conditions[name]) for one in benches)]
        for name in first.conditions
        for label, cell in _rows()
    ]
    rows = [row for row in rows if set(row[1:]) != {"–"}]
    rows += [
        ["expected calibration error", *(f"{one.reliability.error:.3f}" for one in benches)],
        ["end of speech to stored fact, median, ms", *(_late(one, "median") for one in benches)],
        ["… 95th percentile, ms", *(_late(one, "percentile_95") for one in benches)],
        ["real-time factor", *(f"{one.real_time_factor:.3f}" for one in benches)],
        ["peak memory of the processes that listen, MB", *(_memory(one) for one in benches)],
    ]
    lines += _table(["", *(one.engine for one in benches)], rows)
    return "\n".join(lines)


def _late(bench: Bench, which: str) -> str:
    return f"{getattr(bench.delays, which) * 1000:.0f}" if bench.delays else "–"


def _memory(bench: Bench) -> str:
    return "–" if bench.peak_memory_mb is None else f"{bench.peak_memory_mb:.0f}"


def _lines(bench: Bench) -> Iterator[str]:
    yield f"{bench.engine}: {bench.clips} clips. Shares in per cent, with 95 % Wilson intervals."
    yield ""
    names = list(bench.conditions)
    yield from _table(
        ["", *names],
        [[label, *(cell(bench.conditions[name]) for name in names)] for label, cell in _rows()],
    )
    yield ""
    voices = sorted({voice for one in bench.conditions.values() for voice in one.voices})
    yield from _table(
        ["call and slots right, by voice", *names],
        [[voice, *(_voice(bench.conditions[name], voice) for name in names)] for voice in voices],
    )
    yield ""
    yield from _table(
        ["confidence", "utterances", "right"],
        [
            [f"{one.confidence:.2f}", str(one.count), _share(one.right)]
            for one in bench.reliability.bins
        ],
    )
    yield f"expected calibration error {bench.reliability.error:.3f}"
    yield ""
    if bench.delays:
        late = bench.delays
        yield (
            f"end of speech to stored fact at real pace, {late.count} utterances: median "
            f"{late.median * 1000:.0f} ms, 95th percentile {late.percentile_95 * 1000:.0f} ms"
        )
    yield f"real-time factor {bench.real_time_factor:.3f}"
    if bench.peak_memory_mb is not None:
        yield f"peak memory of the processes that listen {bench.peak_memory_mb:.0f} MB"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    for row in (head, ["---"] * len(head), *rows):
        yield "| " + " | ".join(row) + " |"


def _share(found: Share) -> str:
    if found.value is None:
        return "–"
    return f"{100 * found.value:.1f} ({100 * found.low:.1f} to {100 * found.high:.1f})"


def _voice(figures: Figures, voice: str) -> str:
    return _share(figures.voices[voice]) if voice in figures.voices else "–"


def _per_cent(value: float | None) -> str:
    return "–" if value is None else f"{100 * value:.1f}"


def _false(figures: Figures) -> str:
    found = figures.false_per_ten_minutes
    return "–" if found is None else f"{found:.2f} ({figures.false_calls} in all)"


def _false_sure(figures: Figures) -> str:
    found = figures.false_sure_per_ten_minutes
    return "–" if found is None else f"{found:.2f} ({figures.false_sure} in all)"
