"""Hears: sound becomes speech segments, words and facts, kept safely.

`live.py` tells the story; `capture.py`, `channel.py`, `speech.py` and `rehearing.py` are its chapters, and
an `observer.Observer` is told what happens.
Rooms, each importing only those before it: `audio/`, `recognition/`, `confidence/`, `storage/`,
`team/`, then the top, `bench/`, `training/`.
"""
