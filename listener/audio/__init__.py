"""Sound in and out: sources, the microphone, voice activity, noise, playback, tones, and watches.

Blocks of samples on one clock (`blocks.py`, `samples.py`). May import `grammar` alone.
"""
