"""Output of `answerback check`: the phrases of a protocol, its mistakes, and advice."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from grammar.advice.check_advice import advise
from grammar.advice.vocabulary import unknown_to_a_model
from grammar.errors import UserError
from grammar.language.phrases import network
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from listener.recognition.lexicon import Lexicon, build_lexicon
from listener.storage.output_file import write_output


def check(name: str) -> str:
    """Return a summary of a protocol, then a line of advice for each thing that may be better.

    Raises UserError with one line per mistake.
    """
    protocol = load_protocol(name)
    words = network(protocol).words
    notes = advise(protocol, _lexicon(name, protocol, words))
    return "\n".join([*_summary(protocol, len(words)), *(f"note: {note}" for note in notes)])


def check_model(name: str, folder: Path | None) -> str:
    """Return the words of a protocol that a published model lacks, each with what to say instead.

    Without `folder` the first installed model of the protocol's language. Raises UserError.
    """
    from listener.recognition.installed_models import model_for  # noqa: PLC0415
    from listener.recognition.vosk_recogniser import model_lacks, model_name  # noqa: PLC0415

    protocol = load_protocol(name)
    if folder is None:
        found = model_for(protocol.protocol.language)
        if found is None:
            raise UserError(
                f"No published model for the language “{protocol.protocol.language}” is installed: "
                "`answerback model` tells what is, and --model DIR names another."
            )
        folder = found.folder
    words = network(protocol).words
    lacking = frozenset(model_lacks(folder, words))
    lines = [f"{model_name(folder)} knows {len(words) - len(lacking)} of {len(words)} words"]
    return "\n".join([*lines, *map(str, unknown_to_a_model(protocol, lacking))])


def unknown_words_sentence(name: str, folder: Path | None) -> str:
    """Return one sentence on the words that the model for a protocol lacks; "" where it knows all."""
    from listener.recognition.installed_models import model_for  # noqa: PLC0415
    from listener.recognition.vosk_recogniser import model_lacks  # noqa: PLC0415

    protocol = load_protocol(name)
    found = None if folder else model_for(protocol.protocol.language)
    folder = folder or (found.folder if found else None)
    if folder is None:
        return ""
    lacking = frozenset(model_lacks(folder, network(protocol).words))
    told = [
        f"“{each.word}”" + (f" (say “{each.instead}”)" if each.instead else "")
        for each in unknown_to_a_model(protocol, lacking)
    ]
    return f"Words that the model does not know: {', '.join(told)}." if told else ""


def write_new(path: Path) -> str:
    """Write the commented template and say what to do next. Raises UserError where it cannot."""
    text = files("grammar.protocol").joinpath("template.toml").read_text(encoding="utf-8")
    write_output(path, text.encode())
    return f"{path}: a protocol to change; `answerback check {path}` tells what can be said by it"


def _lexicon(name: str, protocol: Protocol, words: frozenset[str]) -> Lexicon:
    if protocol.protocol.language != "en":
        return {}  # a published model brings its own pronunciations, and tells them to nobody
    try:
        return build_lexicon(words, protocol.pronunciations)
    except UserError as error:
        raise UserError(f"{name}: [pronunciations]: {error}") from None


def _summary(protocol: Protocol, words: int) -> list[str]:
    lines = [
        f"{protocol.protocol.title} ({protocol.protocol.id}, {protocol.protocol.language})",
        f"{len(protocol.call)} calls, {words} words, {len(protocol.drug)} drugs",
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
    return lines
