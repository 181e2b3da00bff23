"""How well an engine hears a folder of labelled clips, under five conditions of sound.

`run.bench` hears them, `judging.py` compares words heard with words spoken, `figures.py` makes rates of
that (word error rate, false calls), `page.py` prints. May import everything of `listener`
but `training/`.
"""
