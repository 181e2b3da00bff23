"""Options for the source of the sound, which several commands take."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from grammar.errors import UserError

if TYPE_CHECKING:
    from grammar.protocol.model import Protocol
    from listener.audio.blocks import Source

LIST = "list"


def device_option(parser: argparse.ArgumentParser) -> None:
    """`--device NAME|N|list`."""
    parser.add_argument(
        "--device",
        metavar="NAME|N|list",
        help="a microphone, by its number or part of its name; list: print them and end",
    )


def channel_option(parser: argparse.ArgumentParser) -> None:
    """`--channel N=STATION`."""
    parser.add_argument(
        "--channel",
        type=_channel,
        action="append",
        default=[],
        metavar="N=STATION",
        help="who speaks on an input channel, from 1; may be repeated",
    )


def _channel(text: str) -> tuple[int, str]:
    number, sign, station = text.partition("=")
    if not sign or not number.isdecimal() or not 1 <= int(number) <= 32:
        raise argparse.ArgumentTypeError(f'"{text}" is not like 2=drugs-nurse')
    return int(number), station


def listed(wanted: argparse.Namespace) -> bool:
    """Print the microphones where that is asked for. Raises UserError where there is no PortAudio."""
    if wanted.device != LIST:
        return False
    from listener.audio.microphone import inputs  # noqa: PLC0415  (PortAudio only when asked for)
    from tui.text.wording import clean  # noqa: PLC0415

    found = inputs()
    for line in found:
        print(clean(line))
    if not found:
        print("there is no microphone", file=sys.stderr)
    return True


def channels_of(
    protocol: Protocol, wished: Sequence[tuple[int, str]]
) -> tuple[tuple[int, str], ...]:
    """Return pairs of channel and station, as the protocol says and as a user wishes.

    Raises UserError for a station that the protocol does not have.
    """
    known = [station.id for station in protocol.station]
    for _, station in wished:
        if station not in known:
            raise UserError(f"There is no station “{station}”: there are {', '.join(known)}.")
    own = {s.channel: s.id for s in protocol.station if s.channel is not None}
    return tuple(sorted({**own, **dict(wished)}.items()))


def source_of(
    audio: str | None, device: str | None, channels: Sequence[tuple[int, str]], *, keys: bool
) -> Source:
    """Return a file, standard input for "-", or a microphone with as many channels as stations
    need.

    `keys` says whether the terminal is wanted for keys. Raises UserError for what cannot be heard.
    """
    if audio is not None and device is not None:
        raise UserError("--device chooses a microphone: leave the file out")
    from listener.audio.sources import AudioFile, RawPcm  # noqa: PLC0415

    most = max((number for number, _ in channels), default=1)
    if audio == "-":
        source: Source = RawPcm(_sound_beside_keys() if keys else sys.stdin.buffer)
    elif audio is not None:
        source = AudioFile(Path(audio))
    else:
        from listener.audio.microphone import Microphone  # noqa: PLC0415

        number = int(device) if device is not None and device.isdecimal() else device
        source = Microphone(most, number)
    return source


def _sound_beside_keys() -> BinaryIO:
    """Standard input as sound, where the dashboard needs the terminal for its keys."""
    if sys.stdin.isatty():
        raise UserError("there is no sound on standard input: pipe 16 kHz s16le PCM into it")
    sound = os.fdopen(os.dup(sys.stdin.fileno()), "rb")
    try:
        terminal = os.open("/dev/tty", os.O_RDONLY)
    except OSError:
        raise UserError("there is no terminal to draw on: use --json") from None
    os.dup2(terminal, sys.stdin.fileno())
    os.close(terminal)
    return sound
