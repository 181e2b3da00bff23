"""How sure an utterance is: evidence, a second opinion on what sounds alike, one probability of all.

`confidence_scoring.ConfidenceScoring` stands between words and facts. A number that has a twin
(fifteen, fifty) is flagged in `grammar/case/utterance_step.py`, by `grammar/language/numbers/`; the
reading of both ears is judged in `judging_two_ears.py` and stored by `storing_verdicts.py`. May import
`grammar`, `audio/`, `recognition/`.
"""
