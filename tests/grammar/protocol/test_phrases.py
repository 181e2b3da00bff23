"""The word network, and the reader of meaning, agree on what can be said."""

from __future__ import annotations

import random

import pytest

from grammar.language.jsgf import jsgf
from grammar.language.parse import Understanding
from grammar.language.phrases import bodies, compile_network, network, rules
from grammar.language.word_network import Network
from grammar.protocol.loading import load_protocol, parse_protocol, shipped
from grammar.protocol.model import Protocol
from grammar.protocol.templates import TemplateError, expansions, parse_template, words_of

SAMPLES = 1500

SMALL = """
[protocol]
id = "small"
title = "Small"
[[station]]
id = "leader"
spoken = ["leader"]
[[call]]
id = "oxygen"
title = "Oxygen"
phrases = ["oxygen (on|off)"]
"""


@pytest.fixture(scope="module", params=shipped())
def protocol(request: pytest.FixtureRequest) -> Protocol:
    return load_protocol(request.param)


@pytest.fixture(scope="module")
def sayable(protocol: Protocol) -> Network:
    return network(protocol)


@pytest.fixture(scope="module")
def understanding(protocol: Protocol) -> Understanding:
    return Understanding(protocol)


def walk(found: Network, rng: random.Random) -> list[str]:
    """One sentence: a random way through the network."""
    here, words = found.start, list[str]()
    while True:
        row = found.arcs[here]
        if here in found.finals and (not row or rng.random() < 0.4):
            return words
        word, here = rng.choice(row)
        words.append(word)


def is_exact(understanding: Understanding, words: list[str]) -> bool:
    meaning = understanding.read(words)
    return meaning.kind != "unrecognised" and meaning.score == 1


def test_whatever_the_network_says_has_an_exact_meaning(
    sayable: Network, understanding: Understanding
) -> None:
    rng = random.Random(1)
    for _ in range(SAMPLES):
        words = walk(sayable, rng)
        assert sayable.accepts(words)
        assert is_exact(understanding, words), words


def test_words_have_an_exact_meaning_only_where_the_network_says_them(
    sayable: Network, understanding: Understanding
) -> None:
    rng = random.Random(2)
    vocabulary = sorted(sayable.words)
    refused = 0
    for _ in range(SAMPLES):
        words = walk(sayable, rng)
        at = rng.randrange(len(words))
        match rng.randrange(4):
            case 0:
                del words[at]
            case 1:
                words[at] = rng.choice(vocabulary)
            case 2:
                words.insert(at, rng.choice(vocabulary))
            case _:
                rng.shuffle(words)
        accepted = sayable.accepts(words)
        assert is_exact(understanding, words) == accepted, words
        refused += not accepted
    assert SAMPLES / 4 < refused < SAMPLES


def test_every_phrase_of_every_call_can_be_said(protocol: Protocol, sayable: Network) -> None:
    named = rules(protocol)
    rng = random.Random(3)
    for body in bodies(protocol):
        sentence = walk(compile_network(body.node, named), rng)
        assert sayable.accepts(sentence), sentence


def test_each_call_phrase_means_its_own_call(
    protocol: Protocol, understanding: Understanding
) -> None:
    named = rules(protocol)
    rng = random.Random(5)
    for body in bodies(protocol):
        if body.kind != "call":
            continue
        for _ in range(20):
            words = walk(compile_network(body.node, named), rng)
            meaning = understanding.read(words)
            assert meaning.reading, words
            assert meaning.reading.call == body.call, words


def test_the_network_is_deterministic_acyclic_and_has_no_dead_end(sayable: Network) -> None:
    for row in sayable.arcs:
        assert len({word for word, _ in row}) == len(row)
    depth: dict[int, int] = {}
    stack = [(sayable.start, 0)]
    while stack:  # a cycle would make this grow past the number of states
        state, deep = stack.pop()
        assert deep <= len(sayable.arcs)
        if depth.get(state, -1) >= deep:
            continue
        depth[state] = deep
        stack += [(to, deep + 1) for _, to in sayable.arcs[state]]
    assert len(depth) == len(sayable.arcs)
    assert all(row or state in sayable.finals for state, row in enumerate(sayable.arcs))


def test_no_two_states_of_the_network_have_the_same_future(sayable: Network) -> None:
    futures = {(state in sayable.finals, row) for state, row in enumerate(sayable.arcs)}
    assert len(futures) == len(sayable.arcs)


def test_over_and_out_end_an_utterance_and_please_may_stand_around_it() -> None:
    sayable = network(load_protocol("isolation-airway"))
    whole = "please outside this is anteroom room ready copy please over"
    assert sayable.accepts(whole.split(" "))
    assert sayable.accepts(["room", "ready", "out"])
    assert not sayable.accepts(["over", "room", "ready"])
    assert not sayable.accepts(["room", "ready", "room", "ready"])
    assert not sayable.accepts([])


def test_a_small_protocol_can_be_said_in_exactly_its_ways() -> None:
    sayable = network(parse_protocol(SMALL))
    # Frame: proword? leader? (this is leader)? proword? BODY copy? over?
    assert sayable.accepts(["leader", "this", "is", "leader", "oxygen", "on", "over"])
    assert sayable.accepts(["oxygen", "off"])
    assert not sayable.accepts(["oxygen"])
    assert not sayable.accepts(["oxygen", "on", "off"])


def test_the_grammar_for_other_tools_begins_as_the_format_demands(protocol: Protocol) -> None:
    # W3C Note "JSpeech Grammar Format", 5 June 2000, sections 2 and 3: header, name, public rule.
    first, second, third, *_ = jsgf(protocol).splitlines()
    assert first == "#JSGF V1.0 UTF-8;"
    assert second.startswith("grammar ")
    assert third.startswith("public <sentence> = ")


# ---------------------------------------------------------------------- the notation


@pytest.mark.parametrize(
    ("template", "said"),
    [
        ("tube (in|passed)", {"tube in", "tube passed"}),
        ("[the] tube", {"tube", "the tube"}),
        ("a|b c", {"a", "b c"}),
        ("(a|b) [c|d]", {"a", "b", "a c", "b c", "a d", "b d"}),
        ("Tube", {"tube"}),
    ],
)
def test_a_template_is_said_in_exactly_these_ways(template: str, said: set[str]) -> None:
    node = parse_template(template)
    assert {" ".join(map(str, form)) for form in expansions(node, {})} == said
    assert set(words_of(node)) == set(" ".join(said).split())


@pytest.mark.parametrize(
    "template", ["", "[the]", "tube [", "tube )", "(a|b", "tube 7", "a|", "{}", "tube, in", "{a b}"]
)
def test_a_template_that_breaks_the_notation_is_refused(template: str) -> None:
    with pytest.raises(TemplateError):
        parse_template(template)
