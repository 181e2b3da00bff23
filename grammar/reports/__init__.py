"""Reports on a case: summary, handover, briefing, measures, and how far two hearings agree.

Each takes a `View` or facts and gives plain values; pages and exports lay them out. May import all
other rooms.
"""
