"""The package vosk, imported without a look at the network."""

from __future__ import annotations

import socket
from importlib import import_module
from types import ModuleType


def vosk_library() -> ModuleType:
    """Load vosk when it is first wanted (25 MB).

    Its import opens a socket at once, to see whether this machine has IPv6 (urllib3.util.connection), since
    vosk can download models. answerback opens no socket: for that moment urllib3 is told that there is no
    IPv6 to look for.
    """
    had, socket.has_ipv6 = socket.has_ipv6, False
    try:
        return import_module("vosk")
    finally:
        socket.has_ipv6 = had
