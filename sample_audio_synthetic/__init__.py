"""Spoken drills with invented values, and the scripts that are their truth."""
