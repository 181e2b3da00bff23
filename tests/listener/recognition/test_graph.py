"""The decoding graph, the JSGF and the word network accept the same sentences."""

from __future__ import annotations

import random
import struct
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pocketsphinx
import pytest

from grammar.errors import UserError
from grammar.language.jsgf import SENTENCE, jsgf
from grammar.language.phrases import UNKNOWN, network
from grammar.language.word_network import Network
from grammar.protocol.loading import load_protocol
from grammar.protocol.model import Protocol
from listener.recognition.decoding_graph import compile_graph
from listener.recognition.kaldi_files import DecodingGraph, vector_fst, words_text
from listener.recognition.lexicon import Lexicon, build_lexicon, without_pronunciation
from listener.recognition.phones import (
    POSITIONED,
    forward_id,
    positioned,
    units,
    word_boundary_text,
)
from tests.support.automata import Automaton, from_fsg, from_graph

SAMPLES = 1000


@pytest.fixture(scope="module")
def protocol() -> Protocol:
    return load_protocol("isolation-airway")


@pytest.fixture(scope="module")
def sayable(protocol: Protocol) -> Network:
    return network(protocol)


@pytest.fixture(scope="module")
def lexicon(protocol: Protocol, sayable: Network) -> Lexicon:
    return build_lexicon(sayable.words, protocol.pronunciations)


@pytest.fixture(scope="module")
def graph(sayable: Network, lexicon: Lexicon) -> DecodingGraph:
    return compile_graph(sayable, lexicon)


@pytest.fixture(scope="module")
def one_item(graph: DecodingGraph, sayable: Network) -> Automaton:
    """The graph without its ways to another item and without filler: one sentence."""
    everything = from_graph(graph)
    arcs = {
        state: [
            (word, to)
            for word, to in row
            if word != UNKNOWN and (to != sayable.start or is_beginning(graph, state))
        ]
        for state, row in everything.arcs.items()
    }
    return replace(everything, arcs=arcs, finals=everything.finals - silence(graph)).trimmed()


def is_beginning(graph: DecodingGraph, state: int) -> bool:
    return state == graph.start or state in silence(graph)


def silence(graph: DecodingGraph) -> frozenset[int]:
    """The state of the silence before all speech, in which a segment may also end."""
    return frozenset(
        to for source, _, _, to in graph.arcs.tolist() if source == graph.start and to != source
    ) & frozenset(np.flatnonzero(np.isfinite(graph.finals)).tolist())


@pytest.fixture(scope="module")
def spoken_jsgf(protocol: Protocol, tmp_path_factory: pytest.TempPathFactory) -> Automaton:
    """The JSGF as pocketsphinx's own parser understands it."""
    folder = tmp_path_factory.mktemp("jsgf")
    (folder / "protocol.gram").write_text(jsgf(protocol), encoding="utf-8")
    read = pocketsphinx.Jsgf(str(folder / "protocol.gram"))
    rule = read.get_rule(f"{read.get_name()}.{SENTENCE}")
    model = read.build_fsg(rule, pocketsphinx.LogMath(), 1.0)
    model.writefile(str(folder / "protocol.fsg"))
    return from_fsg((folder / "protocol.fsg").read_text(encoding="utf-8"))


def test_every_sentence_of_the_graph_is_in_the_jsgf(
    one_item: Automaton, spoken_jsgf: Automaton
) -> None:
    rng = random.Random(1)
    for _ in range(SAMPLES):
        words = one_item.sample(rng)
        assert spoken_jsgf.accepts(words), " ".join(words)


def test_every_sentence_of_the_jsgf_is_in_the_graph(
    one_item: Automaton, spoken_jsgf: Automaton
) -> None:
    rng = random.Random(2)
    for _ in range(SAMPLES):
        words = spoken_jsgf.sample(rng)
        assert one_item.accepts(words), " ".join(words)


def test_what_the_jsgf_refuses_the_graph_refuses(
    one_item: Automaton, spoken_jsgf: Automaton, sayable: Network
) -> None:
    rng = random.Random(3)
    vocabulary = sorted(sayable.words)
    refused = 0
    for _ in range(SAMPLES // 5):
        words = spoken_jsgf.sample(rng)
        words[rng.randrange(len(words))] = rng.choice(vocabulary)
        said = spoken_jsgf.accepts(words)
        refused += not said
        assert one_item.accepts(words) == said, " ".join(words)
    assert refused > SAMPLES // 10


def test_the_graph_and_the_network_accept_the_same_sentences_to_the_last(
    one_item: Automaton, sayable: Network
) -> None:
    """Not by samples: all pairs of states that the same words can reach are compared."""
    waiting = [(sayable.start, one_item.beginning)]
    seen = set(waiting)
    while waiting:
        state, states = waiting.pop()
        assert (state in sayable.finals) == bool(states & one_item.finals)
        following = one_item.following(states)
        assert following.keys() == {word for word, _ in sayable.arcs[state]}
        for word, to in sayable.arcs[state]:
            pair = (to, following[word])
            if pair not in seen:
                seen.add(pair)
                waiting.append(pair)
    assert {state for state, _ in seen} == set(range(len(sayable.arcs)))


def test_calls_and_chatter_may_follow_each_other_in_one_segment(
    graph: DecodingGraph, sayable: Network
) -> None:
    whole = from_graph(graph)
    assert whole.accepts([])
    assert whole.accepts([UNKNOWN])
    assert whole.accepts(["room", "ready", "room", "ready"])
    assert whole.accepts(["room", "ready", UNKNOWN, "room", "ready"])
    assert not whole.accepts([UNKNOWN, UNKNOWN])
    assert not whole.accepts(["room", "ready", "room"])


def test_each_path_of_the_graph_sounds_as_the_lexicon_says(
    graph: DecodingGraph, lexicon: Lexicon
) -> None:
    """Phones on random paths, cut at word ends, are pronunciations of the words in their order."""
    rng = random.Random(4)
    for _ in range(300):
        words, sounds = heard_path(graph, rng)
        assert len(words) == len(sounds)
        for word, sound in zip(words, sounds, strict=True):
            if word != UNKNOWN:
                assert sound in {positioned(units(word, way)) for way in lexicon[word]}


def heard_path(graph: DecodingGraph, rng: random.Random) -> tuple[list[str], list[tuple[str, ...]]]:
    """The words of a random path and, for each stretch from a word's begin to its end, its phones."""
    names = {forward_id(name): name for name in POSITIONED}
    first = np.searchsorted(graph.arcs[:, 0], np.arange(len(graph.finals) + 1))
    state, words, sounds = graph.start, list[str](), list[tuple[str, ...]]()
    phones: list[str] = []
    while not (np.isfinite(graph.finals[state]) and rng.random() < 0.5):
        choices = [arc for arc in graph.arcs[first[state] : first[state + 1]] if arc[3] != state]
        if not choices:
            break
        _, sound, word, state = rng.choice(choices).tolist()
        if word:
            words.append(graph.words[word - 1])
        name = names.get(sound, "SIL")
        if name != "SIL":
            phones.append(name)
            if name[-2:] in ("_E", "_S"):
                sounds.append(tuple(phones))
                phones = []
    return words, sounds


def test_the_graph_file_reads_back_as_openfst_lays_it_out(graph: DecodingGraph) -> None:
    """Layout from OpenFst's fst/fst.cc (FstHeader) and fst/vector-fst.h (from memory)."""
    data = vector_fst(graph)
    magic, length = struct.unpack_from("<ii", data)
    assert (magic, data[8 : 8 + length]) == (2125659606, b"vector")
    start, states, arcs = struct.unpack_from("<qqq", data, 8 + 6 + 4 + 8 + 8 + 8)
    assert (start, states, arcs) == (graph.start, len(graph.finals), len(graph.arcs))
    assert sum(1 for _ in arcs_in(data, 8 + 6 + 4 + 8 + 8 + 32, states)) == arcs
    assert all(
        (np.array(found, np.int32) == wanted).all()
        for found, wanted in zip(
            arcs_in(data, 8 + 6 + 4 + 8 + 8 + 32, states), graph.arcs, strict=True
        )
    )


def arcs_in(data: bytes, at: int, states: int) -> Iterator[tuple[int, int, int, int]]:
    for state in range(states):
        _, count = struct.unpack_from("<fq", data, at)
        at += 12
        for _ in range(count):
            inward, outward, _, to = struct.unpack_from("<iifi", data, at)
            at += 16
            yield state, inward, outward, to
    assert at == len(data)


def test_word_numbers_count_from_one_behind_the_empty_word() -> None:
    assert words_text(["cuff", "up"]) == "<eps> 0\ncuff 1\nup 2\n"


def test_each_phone_has_a_place_in_a_word() -> None:
    lines = word_boundary_text().splitlines()
    assert lines[0] == "1 nonword"
    assert len(lines) == len(POSITIONED) == 1 + 40 * 4
    assert lines[1:5] == ["2 begin", "3 end", "4 internal", "5 singleton"]


def test_words_without_pronunciation_are_all_named() -> None:
    words = {"ketamine", "room", "zqx"}
    assert without_pronunciation(words, {"ketamine": ("K EH T AH M IY N",)}) == ["zqx"]
    with pytest.raises(UserError, match=r"“ketamine”, “zqx”"):
        build_lexicon(words, {})


def test_a_wrong_phone_in_a_pronunciation_is_named() -> None:
    with pytest.raises(UserError, match=r"“ketamine” uses “QQ”"):
        build_lexicon({"ketamine"}, {"ketamine": ("K EH QQ",)})


def test_the_dictionary_gives_every_way_to_say_a_word() -> None:
    """Two ways to say "zero", as in the CMU Pronouncing Dictionary."""
    found = build_lexicon({"zero"}, {})
    assert set(found["zero"]) == {("Z", "IH", "R", "OW"), ("Z", "IY", "R", "OW")}


def test_a_wrong_graph_path_is_noticed(one_item: Automaton) -> None:
    """The comparison itself can fail."""
    assert not one_item.accepts(["ready", "room"])
    assert not one_item.accepts([])


def test_the_jsgf_is_a_file_of_its_own(protocol: Protocol, tmp_path: Path) -> None:
    text = jsgf(protocol)
    assert text.startswith("#JSGF V1.0 UTF-8;\n")
    assert f"public <{SENTENCE}>" in text
