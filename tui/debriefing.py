"""`debrief`: one case in full, as a page, as text or as numbers."""

from __future__ import annotations

import argparse
import shutil

from listener.stored import open_case
from tui.debrief.content import as_page
from tui.debrief.html import write_html
from tui.debrief.notes import read_notes
from tui.debrief.one_case import CaseDebrief
from tui.page import as_text


def run_debrief(wanted: argparse.Namespace) -> None:
    """Do what the command line asks for."""
    stored = open_case(wanted.cases[0])
    case = CaseDebrief(stored, read_notes(stored.folder), sound=wanted.sound)
    if wanted.html:
        write_html(case.debrief(), wanted.html)
    else:
        print(as_text(as_page(case.debrief()), shutil.get_terminal_size((100, 30)).columns))
