"""The state of a case: facts, and the fold that makes loops, timers, doses and records of them.

`fold.Case` takes facts and gives a `view.View` of any moment; `utterance_step` takes in one utterance. A
loop is a call and what answers it: `answering.hear` says what is a read-back, `proword_step.proword` which
loop a bare "copy" speaks of, and `loops.Loop.state` what is unanswered. May import `protocol/` and
`language/`.
"""
