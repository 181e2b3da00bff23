"""Hears: sound becomes speech segments, words and facts, kept safely."""
