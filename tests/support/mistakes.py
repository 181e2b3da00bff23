"""A small protocol, and the mistakes that a team may make in it."""

from __future__ import annotations

SHEET = """
[protocol]
id = "small"
title = "Small"

[[station]]
id = "leader"
spoken = ["leader"]

[[drug]]
id = "ketamine"
spoken = ["ketamine"]
unit = "mg"
range = { low = 1, high = 2, unit = "mg" }

[[list]]
id = "plan"
values = [{ id = "a", spoken = ["a"] }]

[[call]]
id = "give"
title = "Give"
phrases = ["give {dose}"]
readback = "key"
deciding = ["drug"]
task = { done_by = ["given"], limit_s = 60 }

[[call]]
id = "given"
title = "Given"
phrases = ["{drug} in"]

[[checklist]]
id = "before"
title = "Before"
items = [{ id = "suction", spoken = ["suction on"] }]

[[rule]]
id = "order"
title = "Ordered before given"
kind = "before"
first = "give:ketamine"
then = "given"
"""

# (what was written, what it became, words of the sentence: table, field or entry, and the cure)
MISTAKES = {
    "a field that does not exist": (
        'title = "Give"',
        'title = "Give"\ncolour = "red"',
        ["[[call]] give", "colour", "remove it or mend its spelling"],
    ),
    "a missing title": ('title = "Give"\n', "", ["[[call]] give", "title", "add it"]),
    "no spoken form": (
        'spoken = ["leader"]',
        "",
        ["[[station]] leader", "spoken", "add it"],
    ),
    "an empty list of phrases": (
        '["{drug} in"]',
        "[]",
        ["[[call]] given", "phrases", "give it one entry"],
    ),
    "a slot type that nobody made": (
        '"{drug} in"',
        '"{medicine} in"',
        ['call "given"', 'the slot type "medicine"', "add the list"],
    ),
    "a rule about a call that nobody made": (
        '"give:ketamine"',
        '"gave:ketamine"',
        ['rule "order"', '"gave"', "no [[call]]"],
    ),
    "a rule that can never come true": (
        '"give:ketamine"',
        '"give:propofol"',
        ['rule "order"', "can never be said", "ketamine"],
    ),
    "a bracket left open": (
        '"give {dose}"',
        '"give [the {dose}"',
        ["[[call]] give", "phrases", 'no "]" closes'],
    ),
    "a bracket never opened": (
        '"give {dose}"',
        '"give the] {dose}"',
        ["[[call]] give", "phrases", "without its opening partner"],
    ),
    "a number in figures": (
        '"{drug} in"',
        '"{drug} 5 in"',
        ["[[call]] given", "phrases", "numbers in full"],
    ),
    "a phrase that may be silent": (
        '"{drug} in"',
        '"[{drug}]"',
        ["[[call]] given", "phrases", "give it a word"],
    ),
    "a slot that is no name": (
        '"{drug} in"',
        '"{Drug?} in"',
        ["[[call]] given", "phrases", "{name:type}"],
    ),
    "a rule's name in a phrase": (
        '"{drug} in"',
        '"<number> in"',
        ['call "given"', "<number>", "write a slot"],
    ),
    "a slot in a drug's name": (
        '["ketamine"]',
        '["ketamine {plan}"]',
        ["[[drug]] ketamine", "spoken", "words alone"],
    ),
    "two calls of one id": ('id = "given"', 'id = "give"', ["[[call]]", '"give"', "rename one"]),
    "two lines of one id in a checklist": (
        'items = [{ id = "suction"',
        'items = [{ id = "suction", spoken = ["suction"] }, { id = "suction"',
        ["[[checklist]] items of before", '"suction"', "rename one"],
    ),
    "two values of one id in a list": (
        'values = [{ id = "a"',
        'values = [{ id = "a", spoken = ["b"] }, { id = "a"',
        ["[[list]] values of plan", '"a"', "rename one"],
    ),
    "a unit that is not in use": (
        'unit = "mg"\nrange',
        'unit = "mcg"\nrange',
        ["[[drug]] ketamine", "unit", "'microgram'", "use one of these"],
    ),
    "a range upside down": (
        "low = 1, high = 2",
        "low = 3, high = 2",
        ["[[drug]] ketamine", "range", "swap them"],
    ),
    "a range without its low end": (
        "low = 1, high = 2",
        "high = 2",
        ["[[drug]] ketamine", "range, low", "add it"],
    ),
    "a deciding slot that no phrase has": (
        'deciding = ["drug"]',
        'deciding = ["dose"]',
        ["[[call]] give", "deciding", "use one of amount, drug, unit"],
    ),
    "a read-back without deciding slots": (
        'deciding = ["drug"]\n',
        "",
        ["[[call]] give", "needs deciding"],
    ),
    "a kind of read-back that is none": (
        '"key"',
        '"loud"',
        ["[[call]] give", "readback", "use one of these"],
    ),
    "a read-back of nothing": (
        'phrases = ["{drug} in"]',
        'phrases = ["all in"]\nreadback = "full"',
        ["[[call]] given", "needs a slot", '"acknowledge"'],
    ),
    "bounds of a slot that no phrase has": (
        'phrases = ["{drug} in"]',
        'phrases = ["{drug} in"]\nbounds = { mm = { low = 1, high = 2 } }',
        ["[[call]] given", "bounds", "use one of drug"],
    ),
    "bounds upside down": (
        'phrases = ["{drug} in"]',
        'phrases = ["size {mm:number}"]\nbounds = { mm = { low = 9, high = 2 } }',
        ["[[call]] given", "bounds, mm", "swap them"],
    ),
    "an order done by a call that nobody made": (
        'done_by = ["given"]',
        'done_by = ["pushed"]',
        ['call "give"', '"pushed"', "no [[call]]"],
    ),
    "an order sharing a slot that it has not": (
        "limit_s = 60",
        'limit_s = 60, same = ["colour"]',
        ["[[call]] give", "task.same", "use one of"],
    ),
    "a limit before the order": (
        "limit_s = 60",
        "limit_s = -1",
        ["[[call]] give", "task, limit_s", "larger number"],
    ),
    "a limit in words": (
        "limit_s = 60",
        'limit_s = "a minute"',
        ["[[call]] give", "task, limit_s", "without quotes"],
    ),
    "a timing rule without a time": (
        '"before"\nfirst',
        '"at-least"\nfirst',
        ["[[rule]] order", "needs seconds"],
    ),
    "a list named as a built-in type": (
        'id = "plan"',
        'id = "dose"',
        ["[[list]] dose", "another id"],
    ),
    "no station at all": (
        '[[station]]\nid = "leader"\nspoken = ["leader"]\n',
        "",
        ["station", "add it"],
    ),
    "a table that does not exist": ("[[rule]]", "[[rules]]", ["[rules]", "mend its spelling"]),
    "a proword that nobody knows": (
        "[[station]]",
        '[prowords]\nrogger = ["rogger"]\n[[station]]',
        ["[prowords]", "rogger", "acknowledge"],
    ),
    "an id in capitals": (
        'id = "ketamine"',
        'id = "Ketamine"',
        ["[[drug]] Ketamine", "id", "lower-case"],
    ),
    "a checklist that nobody wrote": (
        'title = "Given"',
        'title = "Given"\ncompletes = "after"',
        ['call "given"', '"after"', "no [[checklist]]"],
    ),
    "a language that it does not speak": (
        'title = "Small"',
        'title = "Small"\nlanguage = "fr"',
        ["[protocol]", "language", "'en' or 'ko'"],
    ),
    "a dose where there are no drugs": (
        '[[drug]]\nid = "ketamine"\nspoken = ["ketamine"]\nunit = "mg"\n'
        'range = { low = 1, high = 2, unit = "mg" }\n',
        "",
        ['call "give"', "add a [[drug]]"],
    ),
}
