"""Shows: the dashboard, pages to read or print, exports, and the command line.

Rooms, each importing only those before it: `text/`, `pages/`, `export/`, `dashboard/`,
`listening/`, `commands/`; `cli.py` puts the commands together.
"""
