"""Compares ways to adapt the quick ear's network to a team from its cards, on people.

    python -m listener.training.adaptation FOLDER [--teams N]

FOLDER holds recordings of known speakers with their words (`listener/bench/known_speakers.py`). Of each
person ten sentences are the card and the others unseen; teams are five people of the part `judge`, in the
order of their names. Two thirds of each card adapt; the third that is kept aside decides: what does not
hear it better is not used. A sentence is heard rightly where, of all unseen sentences, it is the
likeliest by the network alone (CTC). Ways: a transform of the features (40 x 40 and a shift), learned
scales of hidden units (P. Swietojanski and S. Renals, "Learning hidden unit contributions", SLT 2014), a
few steps of the whole network held near its old weights, and priors of the phones only. Needs torch
(extra `train`).
"""

from __future__ import annotations

import argparse
import copy
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.resources import as_file
from pathlib import Path
from typing import Any, Final

import numpy as np
import torch
import torch.nn.functional as F
from torch import nn

from listener.bench.conditions import applied
from listener.bench.known_speakers import known_speakers, parts
from listener.recognition.kaldi_files import SUBSAMPLING
from listener.recognition.lexicon import build_lexicon, without_pronunciation
from listener.recognition.phones import UNITS, units
from listener.recognition.vosk_recogniser import SHIPPED_MODEL
from listener.training.features import Fbank
from listener.training.network import Network
from listener.training.shipped import read_final_mdl

TEAM: Final = 5
CARD: Final = 10
EPOCHS: Final = 6
_RATES: Final = {"features": 3e-3, "hidden units": 3e-2, "steps": 3e-5, "priors": 3e-2}
_NEAR: Final = {"features": 1e-3, "hidden units": 1e-3, "steps": 1e-1, "priors": 1e-3}
"""How strongly each is held near to what changes nothing."""

Tensor = torch.Tensor


@dataclass(frozen=True, slots=True)
class Said:
    """One sentence as features (frames, 40), and its number among all texts."""

    features: Tensor
    text: int


class Adapted(nn.Module):
    """The network with what adapts it; as made, nothing is changed."""

    def __init__(self, network: Network, way: str) -> None:
        super().__init__()
        self.network = copy.deepcopy(network)
        self.turn = nn.Parameter(torch.eye(40))
        self.shift = nn.Parameter(torch.zeros(40))
        self.priors = nn.Parameter(torch.zeros(len(UNITS) + 1))
        self.scales = nn.ParameterList(
            nn.Parameter(torch.zeros(network.shape.width)) for _ in network.blocks
        )
        self.way = way
        chosen: dict[str, list[nn.Parameter]] = {
            "features": [self.turn, self.shift],
            "hidden units": [*self.scales],
            "steps": [*self.network.parameters()],
            "priors": [self.priors],
        }
        for each in self.parameters():
            each.requires_grad_(False)
        self.chosen = chosen.get(way, [])
        for each in self.chosen:
            each.requires_grad_(True)
        self.began = [each.detach().clone() for each in self.chosen]
        for block, scale in zip(self.network.blocks, self.scales, strict=True):
            block.register_forward_hook(_scaled(scale))

    def forward(self, features: Tensor) -> Tensor:
        """Return the log-probabilities of features (batch, frames, 40), with the adaptation applied."""
        out: Tensor = self.network(features @ self.turn + self.shift)
        return F.log_softmax(out + self.priors, -1)

    def far(self) -> Tensor:
        """Return the sum of the squared differences from an adaptation that changes nothing."""
        pairs = zip(self.chosen, self.began, strict=True)
        return torch.stack([((one - other) ** 2).sum() for one, other in pairs]).sum()


def _scaled(scale: Tensor) -> Callable[..., Tensor]:
    return lambda _module, _inputs, out: out * 2 * torch.sigmoid(scale)


def adapt(network: Network, way: str, card: Sequence[Said], texts: Sequence[Tensor]) -> Adapted:
    """Return the network adapted in one way to the sentences of a card."""
    made = Adapted(network, way).eval()
    adam = torch.optim.Adam(made.chosen, lr=_RATES[way])
    chance = np.random.default_rng(1)
    for _ in range(EPOCHS):
        order = chance.permutation(len(card))
        for first in range(0, len(card), 5):
            some = [card[at] for at in order[first : first + 5]]
            loss = torch.stack([_cost(made, one, texts) for one in some]).mean()
            loss = loss + _NEAR[way] * made.far()
            adam.zero_grad()
            loss.backward()  # type: ignore[no-untyped-call]
            adam.step()
    return made


def _cost(network: nn.Module, one: Said, texts: Sequence[Tensor]) -> Tensor:
    """Return the cost of the sentence that was said, nats a phone."""
    out = network(one.features[None])[0]
    return _costs(out, [texts[one.text]])[0] / len(texts[one.text])


def _costs(out: Tensor, texts: Sequence[Tensor]) -> Tensor:
    """Return the cost of each text, nats, where the network's outputs are `out` (frames, 41)."""
    count = len(texts)
    lengths = torch.tensor([len(text) for text in texts])
    return F.ctc_loss(
        out[:, None].expand(-1, count, -1),
        nn.utils.rnn.pad_sequence(list(texts), batch_first=True),
        torch.full((count,), len(out)),
        lengths,
        reduction="none",
    )


@torch.no_grad()
def heard(
    network: nn.Module, said: Sequence[Said], texts: Sequence[Tensor]
) -> tuple[list[bool], float]:
    """Return for each sentence whether it was heard rightly, and the mean cost, nats a phone."""
    right, cost = [], 0.0
    for one in said:
        out = network(one.features[None])[0]
        fits = [at for at, text in enumerate(texts) if len(text) < len(out) * 0.8]
        costs = _costs(out, [texts[at] for at in fits])
        right.append(fits[int(costs.argmin())] == one.text)
        cost += float(_cost(network, one, texts)) / len(said)
    return right, cost


def read_people(folder: Path, condition: str) -> tuple[dict[str, list[Said]], list[Tensor]]:
    """Return each judging person's sentences, and the phones of every text."""
    people = known_speakers(folder)
    part, fbank = parts(people), Fbank(torch.device("cpu"))
    texts: dict[str, int] = {}
    phones: list[Tensor] = []
    found: dict[str, list[Said]] = {}
    for name, recordings in people.items():
        if part[name] != "judge":
            continue
        for number, one in enumerate(recordings):
            words = one.words.lower().split()
            if not words or without_pronunciation(words, {}):
                continue
            text = " ".join(words)
            if text not in texts:
                lexicon = build_lexicon(words, {})
                said = [unit for word in words for unit in units(word, lexicon[word][0])]
                texts[text] = len(phones)
                phones.append(torch.tensor([UNITS.index(unit) + 1 for unit in said]))
            sound = applied(condition, one.pieces()[0] / 32768, number)
            features = fbank(torch.from_numpy(sound.astype(np.float32))[None])[0]
            if len(features) // SUBSAMPLING > len(phones[texts[text]]):
                found.setdefault(name, []).append(Said(features, texts[text]))
    return found, phones


def main() -> None:
    """Print the comparison, a row for each way."""
    parser = argparse.ArgumentParser(description="Compare ways to adapt to a team.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--teams", type=int, default=3)
    parser.add_argument("--condition", default="clean")
    wanted = parser.parse_args()
    torch.set_num_threads(1)
    with as_file(SHIPPED_MODEL) as path:
        network = read_final_mdl(path).network
    people, texts = read_people(wanted.folder, wanted.condition)
    names = [name for name, said in people.items() if len(said) >= 2 * CARD - 2]
    teams = [names[at : at + TEAM] for at in range(0, len(names), TEAM)][: wanted.teams]
    rows: dict[str, list[Any]] = {way: [] for way in ("as it is", *_RATES)}
    for number, team in enumerate(teams):
        cards = [one for name in team for one in people[name][:CARD]]
        unseen = {name: people[name][CARD:] for name in team}
        aside, fit = cards[::3], [one for at, one in enumerate(cards) if at % 3]
        plain = heard(network, aside, texts)
        for way, found in rows.items():
            began = time.process_time()
            made = network if way == "as it is" else adapt(network, way, fit, texts)
            took = time.process_time() - began
            kept = heard(made, aside, texts)
            used = sum(kept[0]) >= sum(plain[0]) and kept[1] < plain[1]
            right = {name: heard(made, said, texts)[0] for name, said in unseen.items()}
            found.append((right, used, took))
            wrong = sum(not each for one in right.values() for each in one)
            text = f"team {number + 1}, {way}: {wrong} wrong, {took:.0f} s, used {used}"
            print(text, file=sys.stderr, flush=True)
    print(table(rows))


def table(rows: dict[str, list[Any]]) -> str:
    """Return Markdown: wrong utterances, who got worse, whether the third kept aside let it be used."""
    lines = [
        "| way | wrong of unseen | people better | people worse | teams that use it | processor s a team |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    before = {name: right for one, _, _ in rows["as it is"] for name, right in one.items()}
    for way, teams in rows.items():
        after = {name: right for one, _, _ in teams for name, right in one.items()}
        wrong = sum(not each for right in after.values() for each in right)
        count = sum(map(len, after.values()))
        gains = [sum(after[name]) - sum(before[name]) for name in after]
        better, worse = sum(gain > 0 for gain in gains), sum(gain < 0 for gain in gains)
        used = sum(one for _, one, _ in teams)
        took = np.mean([each for _, _, each in teams])
        cells = (
            way,
            f"{wrong} of {count}",
            better,
            worse,
            f"{used} of {len(teams)}",
            f"{took:.0f}",
        )
        lines.append(f"| {' | '.join(map(str, cells))} |")
    return "\n".join(lines)


if __name__ == "__main__":
    main()
