"""Know the team: voiceprints of people who agreed to be known, and who of them spoke an utterance.

`speaker_encoder.SpeakerEncoder` makes a voiceprint of sound, `card_reading.CardReading` takes them from a
card that is read aloud, `voiceprint_store` keeps them as long as their person wants, and
`speaker_attribution` says of each utterance, as a fact of its own, how likely each member spoke it. May
import `grammar`, `audio/`, `recognition/`, `confidence/`, `storage/`.
"""
