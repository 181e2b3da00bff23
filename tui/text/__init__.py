"""Words for what is shown: calls, slots, times and moments. Pure functions of plain text.

Used by every other room of `tui`; imports `grammar` alone.
"""
