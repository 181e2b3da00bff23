"""Errors that a user can cause and mend."""

from __future__ import annotations


class UserError(Exception):
    """An error that a user can mend. Its message is one clear sentence; the command line ends with exit
    code 2.
    """
