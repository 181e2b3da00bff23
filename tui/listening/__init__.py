"""One case that is heard: built from what a user asked for, run headless or behind the dashboard, ended.

`building.py` makes ready, `case_listening.py` joins the listening half and the screen, `json_lines.py`
runs one without a screen, `ending.py` ends it. May import `dashboard/` and what stands
before it.
"""
