"""The card read aloud at a terminal: consent, one sentence after the other, what was heard, and a bar."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from grammar.advice.reading_card import reading_card
from grammar.language.phrases import network
from grammar.protocol.model import Protocol
from listener.audio.blocks import Source
from listener.confidence.supervised_sure_ear import SureListener, start_sure_ear
from listener.recognition.engines import choose
from listener.recognition.recogniser import Recogniser
from listener.team.card_reading import ENOUGH, CardReading, Sentence, usable_prints, weighed
from listener.team.ear_comparison import ASIDE, SURE, EarScore, QuickEars, table
from listener.team.member import Member
from listener.team.spoken_consent import ConsentEar
from tui.commands.card_consent import SpokenConsent, ask_consent
from tui.commands.console import Console
from tui.text.speakers import VOICE_NOTICE
from tui.text.wall_clock import wall_stamp
from tui.text.wording import station

NO_ORDER: Final = "The sentences are words to try the sound with; nobody acts on them."
TRIES: Final = 3
"""A sentence is asked for so often where its sound is bad, no ear understood it, or nobody spoke; so
much silence ends the card."""


@dataclass(frozen=True, slots=True)
class CardRead:
    """The outcome of one member's card. `member` is None where nobody is known from it."""

    station: str
    sentences: tuple[Sentence, ...]
    member: Member | None


@dataclass(frozen=True, slots=True)
class Ears:
    """The engines that hear the cards."""

    protocol: Protocol
    recogniser: Recogniser
    sure: SureListener | None
    quick: QuickEars

    def scores(self, sentences: Sequence[Sentence]) -> tuple[EarScore, ...]:
        """Return how every ear heard the third of a card that is kept aside."""
        aside = sentences[::ASIDE]
        found = self.quick.scores([(one.phrase, one.sound) for one in aside])
        if self.sure:
            right = sum(SURE in one.understood for one in aside)
            found.append(EarScore(name=SURE, recogniser="", model="", right=right, of=len(aside)))
        return tuple(found)


@contextmanager
def ears_of(
    protocol: Protocol, recogniser: str = "auto", model: Path | None = None
) -> Iterator[Ears]:
    """Give every ear that is installed, loaded for a protocol. Raises UserError."""
    quick = choose(
        recogniser,
        network(protocol),
        protocol.pronunciations,
        model_dir=model,
        language=protocol.protocol.language,
    )
    sure = start_sure_ear(protocol)
    try:
        yield Ears(protocol, quick, sure, QuickEars(protocol, quick))
    finally:
        if sure:
            sure.close()


def read_cards(
    ears: Ears,
    stations: Sequence[str],
    source: Callable[[str], Source],
    *,
    console: Console,
    done: Callable[[CardRead], None],
    case: bool,
    free_name: Callable[[str], str] = str,
) -> None:
    """Have a card read for one station after the other, and give each to `done`. `source` opens the sound
    of a station. With `case` a voice may be known for one case only; else only under a name. A voice whose
    person says aloud that it may be kept is kept under `free_name` of its station's title."""
    card = reading_card(ears.protocol)
    ear: ConsentEar | None = None
    for line in (VOICE_NOTICE, NO_ORDER):
        console.say(line)
    for name in stations:
        title = station(ears.protocol, name)
        sound = source(name)
        spoken = None
        if ears.protocol.protocol.language == "en" and sound.live and console.waits:
            ear = ear or ConsentEar(ears.sure)
            spoken = SpokenConsent(ear, sound, free_name(title))
        agreed, kept = ask_consent(console, title, spoken, case=case)
        if not agreed:
            console.say(f"{title}: skipped, nothing is kept")
            continue
        sentences = _read_card(ears, card, source(name), console)
        prints = usable_prints(sentences)
        member = None
        if len(prints) >= ENOUGH:
            console.say("the ears are compared on the card")
            member = Member(
                station=name,
                prints=prints,
                agreed=wall_stamp(),
                ears=ears.scores(sentences),
                name=kept,
                weighed=weighed(sentences),
            )
        done(CardRead(name, tuple(sentences), member))


def _read_card(ears: Ears, card: Sequence[str], source: Source, console: Console) -> list[Sentence]:
    reading = CardReading(source, ears.protocol, ears.recogniser, ears.sure)
    found: list[Sentence] = []
    tries = TRIES if source.live else 1
    with console.keys() as wish:
        for number, phrase in enumerate(card):
            for attempt in range(tries):
                console.say(f"say: {phrase}", bold=True)
                one = reading.sentence(phrase, wish, partial(console.bar, number, len(card)))
                if one in ("leave", "ended"):
                    return found
                last = attempt + 1 == tries
                if one == "silent" and source.live:
                    if last:
                        console.say("  nobody reads: the card is ended")
                        return found
                    console.say("  nobody spoke: take your time, or s skips it")
                    continue
                if isinstance(one, str):
                    console.say("  skipped" if one == "skip" else "  nobody spoke")
                    break
                console.say(f"  {in_words(one)}")
                if one.good or last:
                    if one.usable:
                        found.append(one)
                    break
                console.say("  once more, please")
        console.bar(len(card), len(card), 0.0)
    return found


def in_words(one: Sentence) -> str:
    """Return what was heard of a sentence, and what is wrong with its sound."""
    if one.understood:
        text = f"understood ({' and '.join(one.understood)})"
    else:
        words = " / ".join(f"{ear}: {heard or 'nothing'}" for ear, heard in one.heard)
        text = f"not understood ({words})"
    return "; ".join([text, *one.do])


def told(protocol: Protocol, read: CardRead) -> str:
    """Return what came of a card, in a line."""
    title, good = station(protocol, read.station), len(usable_prints(read.sentences))
    if read.member is None:
        return f"{title}: not known, {good} good sentences are too few ({ENOUGH} are needed)"
    kept = f"kept as {read.member.name}" if read.member.name else "for this case only"
    return f"{title}: known from {good} sentences, {kept}; understood by {table(read.member.ears)}"
