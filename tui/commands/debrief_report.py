"""`debrief`: one case in full, or many together, as a page, as text or as numbers."""

from __future__ import annotations

import argparse
import gc
import json
import shutil
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

from grammar.errors import UserError
from listener.storage.case_reader import case_folders
from listener.storage.facts_on_disk import FactsOnDisk
from listener.storage.output_file import check_output, write_output
from tui.commands.progress import reading
from tui.commands.shared import opened_in, passphrase_in
from tui.pages.debrief.content import Debrief, as_page
from tui.pages.debrief.groups import ListedCase, named, once
from tui.pages.debrief.html import as_html
from tui.pages.debrief.many_cases import ManyCases
from tui.pages.debrief.notes import read_notes
from tui.pages.debrief.one_case import CaseDebrief
from tui.pages.debrief.summary import Summary, as_json, summary_of
from tui.pages.debrief.summary_cache import SummaryCache, summarise_and_keep
from tui.pages.page import as_text
from tui.pages.parallel_work import spread


def run_debrief(wanted: argparse.Namespace) -> None:
    """Do what the command line asks for. Raises UserError where no case is found."""
    if wanted.html:
        check_output(wanted.html, replace=wanted.replace)
    given = [(team, folder) for place in wanted.cases for team, folder in folders(place)]
    # The first name counts of a folder that is reached in several ways, such as by its parent.
    by_place: dict[Path, tuple[str, Path]] = {}
    for team, folder in given:
        by_place.setdefault(folder.resolve(), (team, folder))
    found = list(by_place.values())
    if len(found) < len(given):
        print(f"counted once: {len(given) - len(found)} given more than once", file=sys.stderr)
    if len(found) == 1 and wanted.cluster is None:
        with _uncollected():
            _one(wanted, found[0][1])
    else:
        _many(wanted, found)


def folders(place: Path) -> Iterator[tuple[str, Path]]:
    """(team, case folder) of a case, or of all that lie in a folder and in the folders directly in it.

    A team is named by the folder that holds its cases. Raises UserError where there is no case.
    """
    whole = place.absolute()
    own = list(case_folders(whole))
    found = [(folder.parent.name, folder) for folder in own]
    if whole.is_dir() and own != [whole]:
        teams = [one for one in sorted(whole.iterdir()) if one.is_dir() and one not in own]
        found += [(team.name, folder) for team in teams for folder in case_folders(team)]
    if not found:
        raise UserError(f"{place}: no case folder is here")
    yield from found


def _one(wanted: argparse.Namespace, folder: Path) -> None:
    stored = opened_in(wanted, folder)
    notes = read_notes(folder, stored.keys)
    with reading(folder.name) as progress:
        if isinstance(stored.facts, FactsOnDisk):
            stored.facts.progress = progress
        case = CaseDebrief(stored, notes, sound=wanted.sound)
    if wanted.json:
        found: dict[str, Any] = {"kind": "debrief", **as_json(summary_of(stored))}
        found["moments"] = [asdict(moment) for moment in case.moments]
        print(json.dumps(found, ensure_ascii=False))
    if wanted.html or not wanted.json:
        made = case.debrief()
        del case, stored  # a long case needs a gigabyte, and its page is made of `made` alone
        _show(wanted, made)


@contextmanager
def _uncollected() -> Iterator[None]:
    """Leave the search for circles of values aside: a case has none, and of a very long one each search
    goes through millions of values."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _many(wanted: argparse.Namespace, found: Sequence[tuple[str, Path]]) -> None:
    passphrase = passphrase_in(wanted.passphrase_file) if wanted.passphrase_file else None
    if passphrase and wanted.cluster:
        raise UserError("a passphrase is not sent to a cluster: leave --cluster or the file out")
    cases = [folder for _, folder in found]
    summaries, damaged = read_all(
        cases,
        SummaryCache(),
        wanted.cluster,
        passphrase,
        even_if_altered=wanted.even_if_altered,
    )
    for name, why in sorted(damaged.items()):
        print(f"left out: {name}: {why}", file=sys.stderr)
    if not summaries:
        raise UserError("none of these cases can be read")
    told, copies = once([ListedCase(summaries[f], team, f) for team, f in found if f in summaries])
    for case, same in copies:
        print(f"counted once: {named(case)} is the same case as {named(same)}", file=sys.stderr)
    together = ManyCases(
        cases=told,
        damaged=damaged,
        before=wanted.before,
        passphrase=passphrase,
        copies=copies,
        join_teams=wanted.join_teams,
    )
    if wanted.json:
        print(json.dumps(together.json(), ensure_ascii=False))
    if wanted.html or not wanted.json:
        _show(wanted, together.debrief(words=wanted.html is not None))


def read_all(
    cases: Sequence[Path],
    stock: SummaryCache,
    cluster: str | None = None,
    passphrase: str | None = None,
    *,
    even_if_altered: bool = False,
) -> tuple[dict[Path, Summary], dict[str, str]]:
    """Return the summary of each case, kept or read anew; and why of those that cannot be read."""
    kept = {folder: summary for folder in cases if (summary := stock.kept(folder)) is not None}
    damaged = {}
    missing = [folder for folder in cases if folder not in kept]
    work = partial(summarise_and_keep, stock.place, passphrase, even_if_altered)
    for done in spread(work, missing, "reading cases", cluster):
        if done.result is None:
            damaged[f"{done.item.parent.name}/{done.item.name}"] = done.failure
        else:
            kept[done.item] = done.result
    return kept, damaged


def _show(wanted: argparse.Namespace, made: Debrief) -> None:
    """As a page in a file, or as text."""
    if wanted.html:
        write_output(wanted.html, as_html(made).encode(), replace=wanted.replace)
        return
    width = shutil.get_terminal_size((100, 30)).columns
    print(as_text(as_page(made), width))
