"""The commands, one subject a module. Each module has `add`, which puts its own on the parser.

The output of a command stands beside it (`check_report.py`, `debrief_report.py`, …). May import
everything of `tui` but `cli.py`.
"""
