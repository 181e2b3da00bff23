"""Dialogs, which open over the log when a key needs more than itself. One dialog a module."""
