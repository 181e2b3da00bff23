"""Understands: heard words become calls and answers, and those the state of a case. Pure."""
