"""Random texts to be spoken: call-outs from the protocols, call-outs of no protocol, plain English.

Three reasons for the mixture. Sentences of the protocols are what the model must hear best. Other
call-outs and numbers keep it from knowing only those, as a team may write a protocol of its own.
Plain English and single dictionary words teach every phone in every neighbourhood, which is what
the filler, and a word known from its pronunciation alone, rest on.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

from grammar.language.word_network import Network
from listener.training.wordlists import words

ENGLISH_SHARES = {
    "protocol": 0.30,
    "call": 0.22,
    "number": 0.20,
    "english": 0.12,
    "dictionary": 0.09,
    "short": 0.07,
}


def random_text(
    rng: random.Random, networks: Sequence[Network], dictionary: Sequence[str]
) -> tuple[str, str]:
    """Return (kind, text): lower-case words with single spaces; the kinds are those of ENGLISH_SHARES."""
    kind = rng.choices(list(ENGLISH_SHARES), list(ENGLISH_SHARES.values()))[0]
    makers: dict[str, Callable[[], str]] = {
        "protocol": lambda: sentence(rng, rng.choice(networks)) if networks else call_out(rng),
        "call": lambda: call_out(rng),
        "number": lambda: number_phrase(rng),
        "english": lambda: english(rng),
        "dictionary": lambda: " ".join(rng.choices(dictionary, k=rng.randint(1, 5))),
        "short": lambda: rng.choice(
            [*words().fixed, *words().prowords, *words().drugs, *words().units]
        ),
    }
    return kind, makers[kind]()


def sentence(rng: random.Random, network: Network, most_words: int = 16) -> str:
    """Return a random sentence of the network, of at most about `most_words` words.

    At each state stopping counts as one more arc. Arcs are drawn evenly, so every branch of a
    choice is as likely as any other, however many sentences stand behind it.
    """
    while True:
        state, said = network.start, list[str]()
        while len(said) <= most_words:
            arcs = network.arcs[state]
            ends = state in network.finals
            pick = rng.randrange(len(arcs) + ends)
            if pick == len(arcs):
                return " ".join(said)
            word, state = arcs[pick]
            said.append(word)


def unseen_network() -> Network:
    """Return short calls about the words that no training text has."""
    start = (("bring", 1), ("we", 2), *((word, 4) for word in words().unseen))
    items = tuple((word, 5) for word in words().unseen)
    return Network(
        arcs=(
            start,
            (("the", 3),),
            (("need", 1),),
            items,
            (("ready", 5), ("on", 6)),
            (),
            (("board", 5),),
        ),
        finals=frozenset({4, 5}),
    )


def spoken_number(number: int, rng: random.Random) -> str:
    """Return a whole number of 0 to 9999 as somebody might say it."""
    if number < 20:
        return words().units[number]
    if number < 100:
        rest = "" if number % 10 == 0 else " " + words().units[number % 10]
        return words().tens[number // 10 - 2] + rest
    size, name = (1000, "thousand") if number >= 1000 else (100, "hundred")
    count = number // size
    head = (
        f"a {name}" if count == 1 and rng.random() < 0.3 else f"{spoken_number(count, rng)} {name}"
    )
    rest_value = number % size
    if not rest_value:
        return head
    joined = " and " if rng.random() < 0.5 else " "
    return head + joined + spoken_number(rest_value, rng)


def digits(number: int, rng: random.Random) -> str:
    """Return a number digit by digit, now and then with the radio's own numerals (ICAO Annex 10 II,
    5.2.1.4.3).
    """
    radio = {"9": "niner", "3": "tree", "5": "fife", "4": "fower"}
    strange = rng.random() < 0.15
    return " ".join(
        radio[digit] if strange and digit in radio else words().units[int(digit)]
        for digit in str(number)
    )


def any_number(rng: random.Random, low: int = 1, high: int = 999) -> str:
    """Return a number in words, in digits or in both; the -teen and -ty pairs come often."""
    pair = rng.choice([13, 14, 15, 16, 17, 18, 19, 30, 40, 50, 60, 70, 80, 90])
    number = rng.choice(
        [
            rng.randint(low, min(high, 20)) if low <= 20 else low,
            rng.randint(low, min(high, 100)) if low <= 100 else low,
            pair,
            pair,
            rng.randint(low, high),
        ]
    )
    how = rng.random()
    if how < 0.76:
        return spoken_number(number, rng)
    if how < 0.88:
        return digits(number, rng)
    if how < 0.95:
        return f"{spoken_number(number, rng)} {digits(number, rng)}"
    return f"{spoken_number(number, rng)} {rng.choice(['point five', 'and a half', 'point two'])}"


def number_phrase(rng: random.Random) -> str:
    """Return numbers with little around them, which is where they are hardest to hear."""
    unit = rng.choice(words().dose_units)
    forms: list[Callable[[], str]] = [
        lambda: any_number(rng),
        lambda: any_number(rng, 0, 99),
        lambda: f"{any_number(rng)} {unit}",
        lambda: f"{any_number(rng)} {any_number(rng)}",
        lambda: f"{rng.choice(words().drugs)} {any_number(rng)}",
        lambda: f"{any_number(rng)} {unit} of {rng.choice(words().drugs)}",
        lambda: f"{any_number(rng, 1, 300)} {rng.choice(['seconds', 'minutes', 'minute'])}",
        lambda: f"{any_number(rng, 30, 220)} over {any_number(rng, 30, 130)}",
        lambda: " ".join(rng.choices(words().spelling, k=rng.randint(1, 4))),
        lambda: digits(rng.randint(0, 99999), rng),
        lambda: spoken_number(rng.randint(0, 9999), rng),
    ]
    return rng.choice(forms)()


def call_out(rng: random.Random) -> str:
    """Return a call-out with or without who it is from, who it is to, a proword and an "over"."""
    text, station = _body(rng), rng.choice(words().stations)
    text = rng.choice(
        [
            text,
            text,
            text,
            f"{station} {text}",
            f"{rng.choice(words().prowords)} {text}",
            f"{station} this is {rng.choice(words().stations)} {text}",
            f"this is {station} {text}",
            f"{rng.choice(words().prowords)} {station}",
        ]
    )
    return text + rng.choice(["", "", "", " over", " copy", " please"])


def _body(rng: random.Random) -> str:
    drug, unit = rng.choice(words().drugs), rng.choice(words().dose_units)
    item, checked = rng.choice(words().items), rng.choice(words().checked)
    give = rng.choice(["give", "draw up", "push", "repeat", "prepare"])
    vital = rng.choice(words().vitals)
    forms: list[Callable[[], str]] = [
        lambda: f"{give} {any_number(rng)} {unit}{rng.choice([' of', ''])} {drug}",
        lambda: f"{give} {drug} {any_number(rng)} {unit}",
        lambda: f"{drug} {any_number(rng)} {unit} in",
        lambda: f"{any_number(rng)} {unit} of {drug} {rng.choice(['in', 'given'])}",
        lambda: f"{drug} {rng.choice(['in', 'given', 'ready', 'drawn up'])}",
        lambda: f"{vital} {any_number(rng, 5, 220)}{rng.choice(['', ' percent'])}",
        lambda: f"start {rng.choice(['the ', ''])}timer {any_number(rng, 1, 15)} minutes",
        lambda: f"timer {any_number(rng, 1, 300)}{rng.choice([' seconds', ''])}",
        lambda: f"tube size {any_number(rng, 3, 9)} at {any_number(rng, 18, 26)} centimetres",
        lambda: f"grade {words().units[rng.randint(1, 4)]} view",
        lambda: f"{rng.choice(['send in', 'bring', 'pass', 'we need'])} the {item}",
        lambda: f"{item} {rng.choice(['coming in', 'is in', 'sent', 'on the way'])}",
        lambda: f"{checked} {rng.choice(words().states)}",
        lambda: f"{checked} is {rng.choice(words().states)}",
        lambda: f"{checked} {rng.choice(words().states)} {rng.choice(words().checked)}",
        lambda: rng.choice(words().fixed),
        lambda: rng.choice(words().fixed),
        lambda: rng.choice(words().prowords),
    ]
    return rng.choice(forms)()


def english(rng: random.Random) -> str:
    """Return a plain sentence that no team behind a door has reason to say."""
    if rng.random() < 0.25:
        return rng.choice(words().remarks)
    text = (
        f"{rng.choice(words().subjects)} {rng.choice(words().verbs)} {rng.choice(words().objects)}"
    )
    return f"{text} {rng.choice(words().endings)}" if rng.random() < 0.7 else text
