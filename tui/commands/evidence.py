"""`verify`, `seal`, `keys`, `purge`: whether a case is as it was stored, and its sound removed."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from grammar.errors import UserError
from tui.commands.shared import Commands, case_argument, passphrase_of
from tui.text.wall_clock import wall_stamp
from tui.text.wording import clean


def add(commands: Commands) -> None:
    """Put the commands on the parser."""
    one = commands.add_parser(
        "verify",
        help="whether a case is as it was stored",
        epilog="Exit code 0: whole. 1: something does not fit. 2: there is no case to read.",
    )
    case_argument(one)
    one.add_argument(
        "--key", type=Path, metavar="FILE", help="the public key it must be signed with"
    )
    one.add_argument("--head", metavar="CODE", help="its check code, as printed when it was sealed")
    one.set_defaults(run=verify)
    one = commands.add_parser(
        "seal", help="seal a case anew by a check code, signed where a key is given"
    )
    case_argument(one)
    signing_option(one)
    one.set_defaults(run=seal)
    one = commands.add_parser(
        "purge", help="remove a case's sound and voices for good; its log is kept"
    )
    case_argument(one)
    one.add_argument("--yes", action="store_true", help="do not ask")
    signing_option(one)
    one.set_defaults(run=purge)
    one = commands.add_parser("keys", help="make a key to sign with")
    one.add_argument(
        "file", type=Path, metavar="FILE", help="the private key; FILE.pub is the public"
    )
    one.set_defaults(run=keys)


def signing_option(parser: argparse.ArgumentParser) -> None:
    """`--sign-with FILE`."""
    parser.add_argument(
        "--sign-with", type=Path, metavar="FILE", help="a private key made by `answerback keys`"
    )


def verify(wanted: argparse.Namespace) -> int:
    """Say whether a case is whole, or what does not fit first."""
    from listener.storage.seals import verify as verdict_on  # noqa: PLC0415
    from listener.storage.signing import public_key  # noqa: PLC0415

    key = None if wanted.key is None else public_key(wanted.key)
    passphrase = passphrase_of(wanted, wanted.case)
    found = verdict_on(wanted.case, passphrase, key=key, head=wanted.head)
    if found.misfit:
        print(clean(found.misfit))
        return 1
    print(f"whole: {found.facts} facts fit, the check code is {found.head}")
    for sealed in found.seals:
        signed = f", signed with the key {sealed.key}" if sealed.signed else ""
        print(clean(f"sealed at {sealed.seal.facts} facts, {sealed.seal.wall}{signed}"))
    if found.unsealed:
        print(f"{found.unsealed} facts are under no seal: whether others were cut off is not known")
    return 0


def seal(wanted: argparse.Namespace) -> None:
    """Seal what a case holds now."""
    from listener.storage.case_reader import open_case  # noqa: PLC0415
    from listener.storage.journal import Journal  # noqa: PLC0415
    from listener.storage.seals import seal as sealed  # noqa: PLC0415
    from listener.storage.signing import SigningKey  # noqa: PLC0415

    key = None if wanted.sign_with is None else SigningKey(wanted.sign_with)
    passphrase = passphrase_of(wanted, wanted.case)
    open_case(wanted.case, passphrase)  # one that was altered is not sealed as if it were whole
    journal = Journal.open(wanted.case, passphrase)
    try:
        found = sealed(journal, wall_stamp(), key)
    finally:
        journal.close()
    print(f"check code: {found.head}", file=sys.stderr)


def keys(wanted: argparse.Namespace) -> None:
    """Make a key pair."""
    from listener.storage.signing import make_keys  # noqa: PLC0415

    public = make_keys(wanted.file)
    print(f"{wanted.file}: keep it to yourself; {public}: give it to whoever verifies")


def purge(wanted: argparse.Namespace) -> None:
    """Remove the sound of a case and the voices in it, after asking."""
    from listener.storage.case_lock import hold_case  # noqa: PLC0415
    from listener.storage.journal import Journal  # noqa: PLC0415
    from listener.storage.purge import altered_in, personal_files  # noqa: PLC0415
    from listener.storage.purge import purge as remove  # noqa: PLC0415
    from listener.storage.signing import SigningKey  # noqa: PLC0415

    key = None if wanted.sign_with is None else SigningKey(wanted.sign_with)
    passphrase = passphrase_of(wanted, wanted.case)
    with hold_case(wanted.case):
        journal = Journal.open(wanted.case, passphrase)
        try:
            files = personal_files(wanted.case)
            if not files:
                print(f"{wanted.case} keeps no sound: nothing was changed", file=sys.stderr)
            elif wanted.yes or _agreed(wanted.case, len(files)):
                wall = wall_stamp()
                print(
                    f"removed for good: {remove(journal, wall, key)} files of sound and voices",
                    file=sys.stderr,
                )
                altered = altered_in(journal)
                if altered:
                    told = f"{wanted.case} was altered after it was stored: {altered}"
                    print(clean(f"{told}. It is not sealed anew"), file=sys.stderr)
                elif journal.seals():
                    print(f"check code: {journal.head}", file=sys.stderr)
            else:
                print("nothing was changed", file=sys.stderr)
        finally:
            journal.close()


def _agreed(case: Path, files: int) -> bool:
    if not sys.stdin.isatty():
        raise UserError("there is nobody to ask: --yes removes the sound without asking")
    print(
        f"remove the sound and any voices of {case} ({files} files) for good? yes or no: ",
        end="",
        file=sys.stderr,
    )
    return sys.stdin.readline().strip().lower() in ("y", "yes")
