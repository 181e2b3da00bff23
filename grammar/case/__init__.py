"""The state of a case: facts, and the fold that makes loops, timers, doses and records of them.

`fold.Case` takes facts and gives a `view.View` of any moment. May import `protocol/` and
`language/`.
"""
