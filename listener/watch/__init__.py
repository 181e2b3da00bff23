"""Watches the sound for what would make hearing or its times worse, and says so in a sentence."""

from listener.watch.watching import Watch, Watching

__all__ = ["Watch", "Watching"]
