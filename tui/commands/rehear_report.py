"""`rehear`: the two hearings side by side, as text and as JSON lines."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from grammar.errors import UserError
from grammar.reports.agreement import Agreement, HeardUtterance, Pair, agreement
from grammar.reports.measures import Share
from listener.rehearing import Again, Reheard, hear_again
from listener.storage.case_reader import case_folders
from listener.storage.journal import JOURNAL
from tui.pages.parallel_work import spread
from tui.text.wording import clean, clock


def hear_all(
    place: Path, again: Again, cluster: str | None, passphrase: str | None = None
) -> list[Reheard]:
    """Return a case, or every case of a folder, heard again; here or on the cluster at that
    address.

    In a folder a case that cannot be heard is named on standard error and passed over; `passphrase` is
    that of those which are locked. Raises UserError where not one could be heard.
    """
    if passphrase and cluster:
        raise UserError("a passphrase is not sent to a cluster: leave --cluster or the file out")
    again = again.anywhere()
    if (place / JOURNAL).is_file() and cluster is None:
        return [_one(place, again, passphrase)]
    folders = [folder.resolve() for folder in case_folders(place)]
    if not folders:
        raise UserError(f"{place} is no case folder, and holds none")
    found = []
    for done in spread(partial(_work, again, passphrase), folders, "hearing again", cluster):
        if done.result is None:
            print(f"passed over: {clean(done.failure)}", file=sys.stderr)
        else:
            found.append(done.result)
    if not found:
        raise UserError(f"no case in {place} could be heard again")
    return sorted(found, key=lambda one: one.original.name)


def _work(again: Again, passphrase: str | None, folder: Path) -> Reheard:
    return hear_again(folder, again, datetime.now().astimezone(), passphrase=passphrase)


def _one(folder: Path, again: Again, passphrase: str | None) -> Reheard:
    """Return one case, with a bar of its sound on standard error where somebody watches."""
    from rich.console import Console  # noqa: PLC0415  (Textual's own)
    from rich.progress import Progress  # noqa: PLC0415

    with Progress(console=Console(file=sys.stderr), transient=True) as bar:
        task = bar.add_task("hearing again")

        def heard_s(seconds: float, of: float) -> None:
            bar.update(task, completed=seconds, total=of)

        return hear_again(
            folder, again, datetime.now().astimezone(), heard_s=heard_s, passphrase=passphrase
        )


def page(reheard: Sequence[Reheard]) -> str:
    """Return every case with where the hearings differ, and how far they agree."""
    lines = [line for one in reheard for line in _case(one)]
    if len(reheard) > 1:
        pairs = [pair for one in reheard for pair in one.pairs]
        lines += [f"all {len(reheard)} cases", *_agreement(agreement(pairs))]
    return "\n".join(lines)


def objects(reheard: Sequence[Reheard]) -> Iterator[dict[str, Any]]:
    """JSON-ready: each pair of each case, the agreement of each case, and of all where there are more."""
    for one in reheard:
        for pair in one.pairs:
            yield {
                "kind": "pair",
                "case": one.original.name,
                "same_meaning": pair.same_meaning,
                "same_words": pair.same_words,
                "before": _told(pair.before),
                "after": _told(pair.after),
            }
        yield {
            "kind": "agreement",
            "case": one.original.name,
            "heard_in": str(one.folder),
            "engine_before": one.engine_before,
            "engine": one.engine,
            "protocol": one.protocol,
            **_numbers(agreement(one.pairs)),
        }
    if len(reheard) > 1:
        pairs = [pair for one in reheard for pair in one.pairs]
        yield {"kind": "agreement", "case": None, **_numbers(agreement(pairs))}


def _case(one: Reheard) -> Iterator[str]:
    yield f"{clean(one.original.name)}, heard by {clean(one.engine_before) or 'an unknown engine'}"
    yield f"again by {clean(one.engine)}, protocol {one.protocol}: {one.folder}"
    differing = [pair for pair in one.pairs if not pair.same_words]
    yield "where they differ (* another meaning)" if differing else "no word differs"
    for pair in differing:
        yield from _pair(pair)
    yield from _agreement(agreement(one.pairs))
    yield ""


def _pair(pair: Pair) -> Iterator[str]:
    first = pair.before or pair.after
    assert first is not None  # a pair has at least one side
    mark = " " if pair.same_meaning else "*"
    yield f"  {mark} {clock(first.t)} channel {first.channel}"
    yield f"      was  {_words(pair.before)}"
    yield f"      now  {_words(pair.after)}"


def _words(told: HeardUtterance | None) -> str:
    if told is None:
        return "nothing heard"
    marks = [word for word, true in (("unsure", told.unsure), ("amended", told.amended)) if true]
    return f"“{clean(told.text)}”" + (f" ({', '.join(marks)})" if marks else "")


def _agreement(found: Agreement) -> Iterator[str]:
    yield "agreement with the original, as corrected"
    kappa = "not defined" if found.kappa is None else f"{found.kappa:.2f}"
    yield f"  meaning  {_share(found.meaning)}, Cohen's kappa {kappa}"
    yield f"  words    {_share(found.words)}"


def _share(found: Share) -> str:
    if found.value is None:
        return "nothing was heard"
    interval = f"95 % interval {100 * found.low:.0f} to {100 * found.high:.0f} %"
    return f"{found.count} of {found.total}, {100 * found.value:.1f} % ({interval})"


def _numbers(found: Agreement) -> dict[str, Any]:
    return {
        "meaning": _share_json(found.meaning),
        "words": _share_json(found.words),
        "kappa": None if found.kappa is None else round(found.kappa, 6),
    }


def _share_json(found: Share) -> dict[str, Any]:
    return {
        "count": found.count,
        "total": found.total,
        "percent": None if found.value is None else round(100 * found.value, 2),
        "low": round(found.low, 6),
        "high": round(found.high, 6),
    }


def _told(told: HeardUtterance | None) -> dict[str, Any] | None:
    if told is None:
        return None
    return {
        "seq": told.seq,
        "t": round(told.t, 2),
        "until": round(told.until, 2),
        "channel": told.channel,
        "text": told.text,
        "meaning": told.meaning,
        "unsure": told.unsure,
        "amended": told.amended,
    }
