"""How well an engine hears a folder of labelled clips, under five conditions of sound.

`run.bench` hears them, `figures.py` counts, `page.py` prints. May import everything of `listener`
but `training/`.
"""
