"""What a protocol that loads may still have wrong, and phrases to try a set-up with.

`check_advice.advice` is what `answerback check` prints as notes. May import `protocol/`,
`language/`, `case/`.
"""
