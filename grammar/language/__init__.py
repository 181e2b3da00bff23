"""From words to meaning: the word network of a protocol, spoken numbers, and parsing.

`parse.Understanding` reads words, `phrases.network` gives the network that engines compile. May
import `protocol/`.
"""
