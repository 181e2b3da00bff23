"""The package vosk, imported without a look at the network."""

from __future__ import annotations

import socket
from importlib import import_module
from types import ModuleType


def vosk_library() -> ModuleType:
    """vosk, loaded when it is first wanted (25 MB).

    It imports what downloads its models, and that opens a socket at once to see whether this machine has
    IPv6 (urllib3.util.connection). answerback opens none: so it is told, for that moment, that there is no
    IPv6 to look for.
    """
    had, socket.has_ipv6 = socket.has_ipv6, False
    try:
        return import_module("vosk")
    finally:
        socket.has_ipv6 = had
