"""The recipe of our acoustic model: voices, texts, distortion, network, training, export, scoring.

`python -m listener.training all` runs it; nothing of the program imports it. Needs the extra
`train`. May import everything of `listener`.
"""
