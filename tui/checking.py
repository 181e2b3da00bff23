"""`answerback check`: what can be said by a protocol, or what is wrong with it."""

from __future__ import annotations

from grammar.errors import UserError
from grammar.loading import load
from grammar.phrases import network
from listener.lexicon import build_lexicon


def check(name: str) -> str:
    """A summary of a protocol. Raises UserError with one line per mistake."""
    protocol = load(name)
    found = network(protocol)
    if protocol.protocol.language == "en":
        try:
            build_lexicon(found.words, protocol.pronunciations)
        except UserError as error:
            raise UserError(f"{name}: [pronunciations]: {error}") from None
    lines = [
        f"{protocol.protocol.title} ({protocol.protocol.id}, {protocol.protocol.language})",
        f"{len(protocol.call)} calls, {len(found.words)} words, {len(protocol.drug)} drugs",
        f"stations: {', '.join(station.title or station.id for station in protocol.station)}",
        "",
    ]
    for call in protocol.call:
        wants = (
            "" if call.readback == "none" else f" [{protocol.window(call.id):g} s, {call.readback}]"
        )
        lines.append(f"{call.title} ({call.id}){wants}")
        lines += [f"    {phrase}" for phrase in call.phrases]
    for checklist in protocol.checklist:
        lines.append(f"checklist {checklist.title}")
        lines += [f"    {phrase}" for item in checklist.items for phrase in item.spoken]
    return "\n".join(lines)
