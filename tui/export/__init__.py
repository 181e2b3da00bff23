"""A case in formats that other programs read, one module a format. `tui/commands/export.py` lists them.

Each says which utterances were unsure, amended or withdrawn, and carries the cautions where its
format has a place for them. The same case gives the same text: nothing here asks for the time.
"""
