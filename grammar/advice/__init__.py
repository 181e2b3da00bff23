"""Advice on a protocol that loads and may still have weak points, and phrases to try a set-up with.

`check_advice.advice` is what `answerback check` prints as notes. May import `protocol/`,
`language/`, `case/`.
"""
