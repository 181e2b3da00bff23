"""The options of `python -m listener.training`."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any


def parser(steps: Sequence[str], description: str) -> argparse.ArgumentParser:
    """Return the command's parser: one of these steps, and what each may be told."""
    made = argparse.ArgumentParser(
        prog="python -m listener.training",
        description=description,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )

    def option(name: str, default: Any, meaning: str, kind: Callable[[str], Any] = int) -> None:
        made.add_argument(name, type=kind, default=default, help=f"{meaning} [{default}]")

    made.add_argument("step", choices=steps)
    option("--work", Path("training-work"), "folder of lists, clips and models", Path)
    option("--natural", 17_000, "clips of neural voices")
    option("--plain", 12_000, "clips of other voices")
    option("--score", 60, "clips of each scoring voice, and of each calibrating one")
    option("--minutes", 10.0, "of unrelated synthetic speech for `clips`", float)
    option("--seed", 11, "of the texts and voices")
    option("--processes", 1, "that speak")
    made.add_argument(
        "--folders",
        nargs="*",
        type=Path,
        metavar="DIR",
        help="of clips, for `calibrate` and `two-ears`",
    )
    made.add_argument(
        "--condition", action="append", default=[], metavar="NAME",
        help="under which `two-ears` hears each clip; may be repeated [one of all in turn]",
    )  # fmt: skip
    option("--protocol", "", "that `two-ears` holds clips to instead of their own", str)
    made.add_argument("--gpus", nargs="*", help="GPUs that speak Kokoro voices, such as cuda:0")
    option("--seconds", 1080.0, "to train, and to speak on GPUs", float)
    option("--batch", 448, "clips in a training step")
    option(
        "--agreement", 0.2, "weight of hearing two distortions of a clip alike; 0: each once", float
    )
    option("--rate", 3e-3, "highest learning rate", float)
    made.add_argument("--go-on", action="store_true", help="train on from trained.pt")
    option("--begin", None, "a final.mdl to train on from", Path)
    made.add_argument(
        "--still", action="store_true", help="hold the normalisations of --begin still"
    )
    option("--faith", 0.0, "weight of hearing synthetic clips as --begin heard them", float)
    option("--speech", None, "folder of sentences by people and of recorded noise", Path)
    option("--people-share", 0.4, "of the clips of a step that are by people", float)
    made.add_argument(
        "--others", action="store_true", help="bend voices to other throats, uneven in time"
    )
    made.add_argument(
        "--networks", nargs="*", type=Path, metavar="FILE", help="of which `mix` takes the mean"
    )
    option("--model", None, "another final.mdl to score, or for `strangers`", Path)
    made.add_argument(
        "--rates", nargs="*", type=float, metavar="RATE",
        help="highest learning rates of `adapter`, one for each network that learns [3e-4]",
    )  # fmt: skip
    option(
        "--whisper", None, "folder of Whisper's weights for `adapter`, if not the installed", Path
    )
    option("--language", "en", "of the protocols that `clips` speaks and `calibrate` hears", str)
    option("--every", 1, "score or calibrate on each n-th clip only")
    made.add_argument(
        "--from", dest="first", type=int, default=1, metavar="N",
        help="`calibrate` and `two-ears` from the N-th clip on",
    )  # fmt: skip
    return made
