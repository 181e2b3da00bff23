"""The case folder: facts, sound, locks, seals, and what is done when a disk fails or a case was torn.

`journal.Journal` makes the folder and stores facts; `fact_writer.py` goes on while a disk is full, and
`rescue.py` ends a case elsewhere. `case_reader.py` reads a stored case and refuses an altered one;
`database.py` knows the schemas. May import `grammar` and `audio/`.
"""
