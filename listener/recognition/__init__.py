"""Words out of sound: engines, their decoding graphs, lexicon, models, and the process each runs in.

`engines.choose` gives a `recogniser.Recogniser`. May import `grammar` and `audio/`.
"""
