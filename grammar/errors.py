"""Errors that a user can cause and mend."""

from __future__ import annotations


class UserError(Exception):
    """Its message is one clear sentence for the user; the command line ends with exit code 2."""
