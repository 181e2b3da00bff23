"""The speaker encoder: a voiceprint, 256 numbers, of a stretch of one voice.

Three LSTM layers of 256 over mel spectra, windows of 1.6 s, trained by others on many thousand people to
tell voices apart (L. Wan et al., "Generalized end-to-end loss for speaker verification", ICASSP 2018).
`README.md` beside this file says where the weights come from and what was measured.
"""

from listener.team.speaker_encoder.encoder import SpeakerEncoder, Voiceprint, similarity

__all__ = ["SpeakerEncoder", "Voiceprint", "similarity"]
