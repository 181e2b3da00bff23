"""Short drills written as words with times, as an observer would write them down."""

from __future__ import annotations

from grammar.case.view import View
from grammar.protocol.loading import load_protocol
from grammar.reports.written_dialogue import judge, parse_dialogue


def drill(*lines: tuple[float, str], until: float) -> View:
    """The case at `until` of these words, each said at its time, seconds, for two seconds."""
    says = "".join(f'[[say]]\nt = {t}\nuntil = {t + 2}\nwords = "{words}"\n' for t, words in lines)
    text = f'protocol = "isolation-airway"\nweight_kg = 70\nuntil = {until}\n{says}'
    return judge(load_protocol("isolation-airway"), parse_dialogue(text, "drill"))[1]
