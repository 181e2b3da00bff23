"""The case folder: facts, sound, locks, seals, and what is done when a disk fails or a case was torn.

`journal.Journal` stores facts, `case_reader.py` reads a stored case. May import `grammar` and
`audio/`.
"""
