"""Hears: sound becomes speech segments, words and facts, kept safely.

`live.py` tells the story; `capture.py`, `speech.py` and `rehearing.py` are its chapters. Rooms,
each importing only those before it: `audio/`, `recognition/`, `confidence/`, `storage/`, then the
top, `bench/`, `training/`.
"""
