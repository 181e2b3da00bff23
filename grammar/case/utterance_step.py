"""One utterance and what it does to the state of a case: loops, log, doubts, effects."""

from __future__ import annotations

from functools import lru_cache

from grammar.case.amendments import EffectiveFact, confidence_of
from grammar.case.answering import hear
from grammar.case.effects import apply
from grammar.case.facts import Entered, Heard
from grammar.case.loop_step import LoopInput, Outcome, newest, was_unsure
from grammar.case.speaker import who_spoke
from grammar.case.stand_by import held_long
from grammar.case.state import State
from grammar.case.view import Utterance
from grammar.case.withdrawal import last_call, with_slots, without
from grammar.language.meaning import Meaning, bound_of_doubt
from grammar.language.parse import Understanding
from grammar.protocol.model import Protocol
from grammar.replacing import quick, replaced

_loop_input, _utterance = quick(LoopInput), quick(Utterance)

POSSIBLE_HELP = "possible-help"
"""Flag of an utterance that may be a call for help and that nobody has settled."""

PAST_S = 5.0
"""A call entered by hand that lies further before the latest fact was not made just now, seconds."""


def take_utterance(
    understanding: Understanding,
    state: State,
    standing: EffectiveFact,
    *,
    heard: Heard,
    text: str,
    meaning: Meaning,
    latest_s: float,
) -> State:
    """Return the state after one utterance of this text and meaning.

    `standing` is its fact with all that was said of it since. `heard` is the same fact, or a call entered
    by hand as if it had been heard. `latest_s` is the latest end of the facts told before it, seconds: a
    call entered by hand that lies well before that was not made just now.
    """
    protocol = understanding.protocol
    confidence = 1.0 if standing.amended else confidence_of(heard)
    low = confidence < bound_of_doubt(protocol.protocol, meaning)
    doubts = meaning.doubts if standing.amended else (*heard.doubts, *meaning.doubts)
    recognised = meaning.kind != "unrecognised"
    unsure = recognised and not standing.confirmed and (low or bool(doubts))
    settled = standing.amended or standing.confirmed
    speaker = who_spoke(
        protocol,
        heard,
        meaning,
        channels=state.channels,
        loops=newest(state.loops) if heard.voice else (),
        by_hand=standing.speaker_set,
    )
    sender = speaker.station
    takes_back = meaning.said("disregard", "correction")
    before = last_call(state, sender) if takes_back else None
    entered = isinstance(standing.fact, Entered)
    said = _loop_input(
        fact=heard.seq,
        t=heard.t,
        until=heard.until,
        channel=heard.channel,
        meaning=meaning,
        sender=sender,
        unsure=unsure,
        before=before,
        entered=entered and heard.sender is None,
        past=entered and heard.until + PAST_S < latest_s,
    )
    outcome = hear(protocol, state.loops, said)
    flags = (
        *outcome.flags,
        *doubts,
        *(("sounds-like",) if meaning.sounds_like and not standing.confirmed else ()),
        *(("amended",) if standing.amended else ()),
        *(("heard-late",) if heard.late_s else ()),
        *(("entered",) if entered else ()),
        *(("sure-ear",) if standing.ear == "sure" else ()),
    )
    utterance = _utterance(
        fact=heard.seq,
        t=heard.t,
        until=heard.until,
        channel=heard.channel,
        text=text,
        role=outcome.role,
        meaning=meaning,
        call=outcome.call,
        slots=outcome.slots,
        to=meaning.to,
        sender=sender,
        loop=outcome.loop,
        confidence=_same_number(confidence),
        unsure=unsure,
        ear=standing.ear,
        likely=heard.likely,
        flags=_same(tuple(dict.fromkeys(flags))) if flags else (),
        speaker=speaker,
    )
    if (
        (unsure or not recognised)
        and not settled
        and _asks_for_help(understanding, meaning, heard.likely)
    ):
        utterance = replaced(utterance, flags=(*utterance.flags, POSSIBLE_HELP))
        state = replaced(state, possible_help=state.possible_help.plus(utterance))
    before_it = state.loops
    held = held_long(protocol, state.loops, outcome.loops, loop=outcome.loop, t=heard.t)
    state = replaced(
        state,
        loops=outcome.loops,
        log=state.log.plus(utterance),
        findings=state.findings.plus_all(held),
    )
    to_nothing = outcome.role == "read-back" and meaning.at_stake
    if unsure and not outcome.effective and (outcome.loop is not None or to_nothing):
        state = replaced(state, unsure_answers=state.unsure_answers.plus(utterance))
    return _effects(protocol, state, utterance, outcome, doubtful=was_unsure(before_it, outcome))


def _asks_for_help(understanding: Understanding, meaning: Meaning, likely: str) -> bool:
    """Return whether an utterance, or the likeliest words of one not understood, asks for help."""
    if meaning.kind == "unrecognised" and likely:
        meaning = understanding.read(likely.split())
    return understanding.for_help(meaning)


def _effects(
    protocol: Protocol, state: State, utterance: Utterance, outcome: Outcome, *, doubtful: bool
) -> State:
    if outcome.withdrawn is not None:
        state = without(protocol, state, outcome.withdrawn)
    if outcome.changed and outcome.loop is not None:
        return with_slots(protocol, state, outcome.loop, unsure=utterance.unsure)
    if outcome.effective and utterance.unsure:
        return replaced(state, unsure=state.unsure.plus(utterance))
    if outcome.effective:
        return apply(protocol, state, utterance)
    if outcome.settled is not None:
        settled = outcome.settled
        if state.possible_help:
            help_left = state.possible_help.edited(
                lambda u: None if u.loop == settled else u, lambda u: u.fact, settled
            )
            state = replaced(state, possible_help=help_left)
        if not doubtful:
            return state
        # A read-back that agrees confirms a call that was heard with doubt.
        call = state.unsure.latest(lambda u: u.loop == settled, lambda u: u.fact < settled)
        if call:
            rest = state.unsure.edited(
                lambda u: None if u is call else u, lambda u: u.fact, settled
            )
            return apply(protocol, replaced(state, unsure=rest), call)
    return state


@lru_cache(256)
def _same(flags: tuple[str, ...]) -> tuple[str, ...]:
    """Return the same flags as one value for all utterances that bear them."""
    return flags


@lru_cache(16_384)
def _same_number(confidence: float) -> float:
    """Return the same confidence as one value for all utterances that have it: listeners give four
    decimals, so that there are some thousands."""
    return confidence
