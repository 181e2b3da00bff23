"""Tests, by room: what a room does is tested in the folder of its name, the whole in `whole/`."""
