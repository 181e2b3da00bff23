"""The command `model`, which lists the speech models on this machine and installs others."""

from __future__ import annotations

import argparse

from tui.commands.shared import TWO_EARS, Commands

PEOPLE = "people"
"""The sure ear's name on the command line."""


def add(commands: Commands) -> None:
    """Put the command on the parser."""
    one = commands.add_parser("model", help="the speech models installed here; install another")
    which = one.add_mutually_exclusive_group()
    which.add_argument(
        "--install",
        metavar="people|NAME|LANGUAGE",
        help="fetch the sure ear, which hears each call a second time and was trained on people (people, or"
        " people-SIZE), or a vosk model for the quick ear, which hears it at once (needs a network)",
    )
    which.add_argument(
        "--published", action="store_true", help="list what is published (needs a network)"
    )
    one.set_defaults(run=model)


def model(wanted: argparse.Namespace) -> None:
    """List models, or install one."""
    from listener.recognition.installed_models import installed_models  # noqa: PLC0415
    from listener.recognition.whisper_files import install_sure_model, sure_models  # noqa: PLC0415

    if wanted.install and wanted.install.split("-")[0] == PEOPLE:
        done = install_sure_model(wanted.install.partition("-")[2] or "base")
        print(f"{done.name}  {done.folder}")
        return
    if wanted.published or wanted.install:
        from listener.recognition.model_install import install, pick, published_models  # noqa: PLC0415

        known = published_models()
        if wanted.install:
            fetched = install(pick(wanted.install, known))
            print(f"{fetched.name}  {fetched.language}  {fetched.folder}")
            return
        for each in known:
            print("  ".join(filter(None, (each.name, each.language, each.size))))
        return
    print(TWO_EARS)
    print("quick ear: answerback's own  en  ships with answerback")
    for found in installed_models():
        print(f"quick ear: {found.name}  {found.language}  {found.folder}")
    known_sure = sure_models()
    for ear in known_sure:
        print(f"sure ear: {ear.name}  {ear.folder}")
    if not known_sure:
        print(
            "sure ear: none, many calls by people are misheard; answerback model --install people"
        )
