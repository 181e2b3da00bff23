"""The dashboard: its screens, keys and colours, with `widgets/` and `dialogs/`; the desk and the replay.

`app.Dashboard` draws a `View` several times a second. May import `text/` and `pages/`.
"""
