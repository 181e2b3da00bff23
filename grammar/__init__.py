"""Understands: heard words become calls and answers, and those the state of a case.

Pure: no clock, thread, chance or file but a protocol. Rooms, each importing only those before it:
`protocol/`, `language/`, `case/`, `advice/`, `reports/`. Nothing here imports `listener` or `tui`.
"""
