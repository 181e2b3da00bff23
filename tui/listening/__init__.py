"""One case that is heard: built from what a user asked for, run headless or behind the dashboard, ended.

`case_listening.py` joins the listening half and the screen. May import `dashboard/` and what stands
before it.
"""
