"""The protocol that says what a team may say: its tables, its phrase notation, prowords, and
reading its file.

`loading.load_protocol` gives a `model.Protocol`, whose `window` says how long a call may wait. The shipped
protocols lie in `shipped/`. Imports no other room.
"""
