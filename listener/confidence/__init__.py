"""How sure an utterance is: evidence, a second opinion on what sounds alike, one probability of all.

`confidence_scoring.ConfidenceScoring` stands between words and facts. May import `grammar`,
`audio/`, `recognition/`.
"""
