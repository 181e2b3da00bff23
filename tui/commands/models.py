"""The command `model`, which lists the speech models on this machine and installs others."""

from __future__ import annotations

import argparse

from tui.commands.shared import Commands


def add(commands: Commands) -> None:
    """Put the command on the parser."""
    one = commands.add_parser("model", help="the speech models installed here; install another")
    which = one.add_mutually_exclusive_group()
    which.add_argument(
        "--install", metavar="NAME|LANGUAGE", help="fetch a published vosk model (needs a network)"
    )
    which.add_argument(
        "--published", action="store_true", help="list what is published (needs a network)"
    )
    one.set_defaults(run=model)


def model(wanted: argparse.Namespace) -> None:
    """List models, or install one."""
    from listener.recognition.installed_models import installed_models  # noqa: PLC0415

    if wanted.published or wanted.install:
        from listener.recognition.model_install import install, pick, published_models  # noqa: PLC0415

        known = published_models()
        if wanted.install:
            done = install(pick(wanted.install, known))
            print(f"{done.name}  {done.language}  {done.folder}")
            return
        for each in known:
            print("  ".join(filter(None, (each.name, each.language, each.size))))
        return
    print("answerback's own  en  ships with answerback")
    for found in installed_models():
        print(f"{found.name}  {found.language}  {found.folder}")
