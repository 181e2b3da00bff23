"""The debrief that an educator takes from stored cases: the moments that matter, the measures, the
report.
"""
