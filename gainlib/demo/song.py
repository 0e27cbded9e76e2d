"""The "Demo song in A minor": what plays when, and how loud it was recorded.

96 beats a minute, four beats a bar, A minor: Am F C G four times over, 40 seconds. Four bars of introduction, eight of
verse, four of refrain. The music is fixed, down to each stroke's strength; only the recording's faults are drawn, and
they are added elsewhere. `clean_stems` plays everything anew in a few seconds.

Clean stems carry no hum, hiss, offset, clipping or reversed polarity. They begin and end in silence.
"""

from collections.abc import Iterator

import numpy as np

from gainlib.audio import Audio
from gainlib.demo import instruments as play
from gainlib.demo.recordings import BARS, BEAT_S, FRAMES, RATE_HZ, RECORDINGS
from gainlib.demo.rng import chance, noise, uniform, varied

MUSIC_SEED = 1
CLOSE_S = 0.12

CHORDS = ((57, 60, 64), (53, 57, 60), (48, 55, 64), (55, 59, 62))
ROOTS = (33, 29, 36, 31)
VERSE, REFRAIN = range(4, 12), range(12, 16)


def clean_stems() -> dict[str, Audio]:
    """Play the song and return every clean stem by name, in track order.

    Returns
    -------
    dict of str to Audio
        48 kHz, 40 s, float64, one or two channels.
    """
    played = _played()
    return {
        name: Audio(_recorded(played[name], recording.peak_dbfs), RATE_HZ, name)
        for name, recording in RECORDINGS.items()
    }


def _played():
    kick, snare, toms = _kick(), _snare(), _toms()
    return {
        "01 kick": kick,
        "02 snare": snare,
        "03 overheads": _overheads(kick, snare, toms),
        "04 toms": toms,
        "05 bass": _bass(),
        "06 guitar": _guitar(),
        "07 e-piano": _electric_piano(),
        "08 pad": _pad(),
        "09 lead vocal": _lead_vocal(),
        "10 backing": _backing(),
        "11 shaker": np.zeros(FRAMES),
    }


def _recorded(samples, peak_dbfs):
    """Couple a stem like a microphone input (no offset), close its ends and set its peak."""
    if not samples.any():
        return samples
    coupled = play.filtered(samples, "highpass", 8, order=1)
    close = round(CLOSE_S * RATE_HZ)
    coupled[-close:] = (coupled[-close:].T * (0.5 + 0.5 * np.cos(np.linspace(0, np.pi, close)))).T
    return coupled * (10 ** (peak_dbfs / 20) / np.abs(coupled).max())


def _place(track: np.ndarray, sound: np.ndarray, beat: float, early_s: float = 0.0) -> None:
    start = max(0, round((beat * BEAT_S - early_s) * RATE_HZ))
    kept = sound[: len(track) - start]
    track[start : start + len(kept)] += kept


def _panned(sound: np.ndarray, position: float) -> np.ndarray:
    """Spread a mono sound over two channels at constant power; position 0 is left, 1 is right."""
    return sound[:, np.newaxis] * [np.cos(position * np.pi / 2), np.sin(position * np.pi / 2)]


def _kick() -> np.ndarray:
    hand, track = chance(MUSIC_SEED, 1), np.zeros(FRAMES)
    for bar in range(BARS):
        beats = (0,) if bar < 2 else (0, 2.5) if bar % 2 == 0 else (0, 1.5, 2.5)
        for beat in beats:
            _place(track, play.kick_hit(hand) * varied(hand, 0.06), 4 * bar + beat)
    return np.tanh(1.2 * track)


def _snare() -> np.ndarray:
    hand, track = chance(MUSIC_SEED, 2), np.zeros(FRAMES)
    for bar in range(2, BARS):
        ghost = ((3.75, 0.25),) if bar % 4 == 3 else ()
        for beat, strength in ((1, 1), (3, 1), *ghost):
            _place(track, play.snare_hit(hand) * strength * varied(hand, 0.05), 4 * bar + beat)
    return track


def _toms() -> np.ndarray:
    hand, track = chance(MUSIC_SEED, 4), np.zeros((FRAMES, 2))
    fill = ((3, 150, 0.3), (3.25, 150, 0.3), (3.5, 112, 0.5), (3.75, 84, 0.7))
    for bar in (3, 7, 11, 15):
        for beat, tuned_hz, position in fill:
            _place(track, _panned(play.tom_hit(hand, tuned_hz), position), 4 * bar + beat)
    return track


def _overheads(kick: np.ndarray, snare: np.ndarray, toms: np.ndarray) -> np.ndarray:
    """Play hats and crashes under two microphones that also hear the drums below, a little later."""
    # Take 110: the highest peak falls between two samples, so that true peak and sample peak differ.
    hand, track = chance(MUSIC_SEED, 110), np.zeros((FRAMES, 2))
    for eighth in range(BARS * 8):
        hat = play.hat_hit(hand, 0.14 if eighth % 8 == 7 else 0.035)
        strength = (1 if eighth % 2 == 0 else 0.55) * varied(hand, 0.1)
        _place(track, hat[:, np.newaxis] * strength * [0.85, 0.47], eighth / 2)
    for bar in (4, 8, 12):
        _place(track, 1.1 * np.stack([play.crash_hit(hand), play.crash_hit(hand)], axis=1), 4 * bar)
    track += _heard(play.filtered(snare, "highpass", 250), 1.0, 110)[:, np.newaxis]
    track += _heard(kick, 0.05, 126)[:, np.newaxis]
    track += _heard(toms.mean(axis=1), 0.46, 92)[:, np.newaxis]
    return track


def _heard(sound: np.ndarray, gain: float, delay: int) -> np.ndarray:
    """Return a drum as a distant microphone hears it; 110 samples are 2.3 ms, 0.79 m of air."""
    return gain * np.concatenate([np.zeros(delay), sound[:-delay]])


def _bass() -> np.ndarray:
    hand, track = chance(MUSIC_SEED, 5), np.zeros(FRAMES)
    riff = ((0, 1.4, 0), (1.5, 0.9, 0), (2.5, 0.9, 12), (3.5, 0.45, 7))
    for bar in range(BARS):
        for beat, beats_long, above in riff if bar >= 2 else riff[:1]:
            sound = play.bass_note(ROOTS[bar % 4] + above, beats_long * BEAT_S + 0.05)
            _place(track, sound * varied(hand, 0.04), 4 * bar + beat)
    return track


def _guitar() -> np.ndarray:
    hand, track = chance(MUSIC_SEED, 6), np.zeros(FRAMES)
    strums = ((0, 1), (1, 0.6), (1.5, 0.8), (2.5, 0.7), (3, 0.9), (3.5, 0.5))
    for bar in (*VERSE, *REFRAIN):
        chord = CHORDS[bar % 4]
        for beat, strength in strums:
            for string, note in enumerate((*chord, chord[0] + 12)):
                sound = play.plucked_string(hand, note, 0.8)
                _place(track, 0.3 * strength * sound, 4 * bar + beat, early_s=-0.011 * string)
    return play.filtered(play.filtered(np.tanh(0.95 * track), "lowpass", 4200), "highpass", 90)


def _electric_piano() -> np.ndarray:
    hand, track = chance(MUSIC_SEED, 7), np.zeros(FRAMES)
    for bar in range(BARS):
        for beat, beats_long in ((0, 2.0), (2.5, 1.4)):
            for note in CHORDS[bar % 4]:
                sound = play.electric_piano_note(note + 12, beats_long * BEAT_S + 0.4)
                late_s = uniform(hand, 0, 0.012)
                _place(track, sound * varied(hand, 0.1), 4 * bar + beat, early_s=-late_s)
    sway = 0.25 * np.sin(2 * np.pi * 4.3 * np.arange(FRAMES) / RATE_HZ)
    return np.stack([track * (1 + sway), track * (1 - sway)], axis=1)


def _pad() -> np.ndarray:
    hand, track = chance(MUSIC_SEED, 8), np.zeros((FRAMES, 2))
    for bar in range(BARS):
        for note in CHORDS[bar % 4]:
            sides = [play.pad_note(hand, note, 4 * BEAT_S + 0.6) for _ in range(2)]
            _place(track, np.stack(sides, axis=1), 4 * bar)
    swell = 0.75 + 0.25 * np.sin(2 * np.pi * np.arange(FRAMES) / RATE_HZ / (8 * BEAT_S))
    return play.filtered(track, "lowpass", 1500) * swell[:, np.newaxis]


def _melody() -> Iterator[tuple[float, float, int, str, float]]:
    """Yield the lead's notes as (beat, beats long, note, vowel, strength): the verse soft, the refrain loud."""
    verse = (
        (0, 0.9, 69, "a", 1.0), (1, 0.9, 72, "e", 1.0), (2, 0.9, 71, "o", 0.8),
        (3, 1.9, 69, "a", 0.9), (5.5, 0.45, 67, "i", 0.7), (6, 1.6, 64, "u", 0.6),
    )  # fmt: skip
    refrain = (
        (0, 1.8, 76, "a", 1.0), (2, 0.9, 74, "e", 0.9), (3, 0.9, 72, "o", 0.9),
        (4, 2.6, 74, "a", 1.0), (7, 0.8, 71, "i", 0.7),
    )  # fmt: skip
    for bar in VERSE[::2]:
        for beat, beats_long, note, vowel, strength in verse:
            yield 4 * bar + beat, beats_long, note, vowel, strength * (0.35 if bar < 8 else 0.6)
    for bar in REFRAIN[::2]:
        for beat, *rest in refrain:
            yield 4 * bar + beat, *rest


def _sung(hand, notes, size=1.0) -> np.ndarray:
    track = np.zeros(FRAMES)
    for beat, beats_long, note, vowel, strength in notes:
        sound = play.sung_note(hand, note, beats_long * BEAT_S, vowel, size=size)
        _place(track, strength * sound, beat)
        if hand.random_raw() % 2:
            _place(track, 0.12 * strength * play.consonant(hand), beat, early_s=0.055)
    return track


def _lead_vocal() -> np.ndarray:
    return _sung(chance(MUSIC_SEED, 9), _melody())


def _backing() -> np.ndarray:
    hand, track = chance(MUSIC_SEED, 10), np.zeros((FRAMES, 2))
    for voice, position in enumerate((0.25, 0.5, 0.75)):
        entries = [4 * bar + 0.03 * float(noise(hand, 1)[0]) for bar in REFRAIN]
        notes = [
            (beat, 3.7, CHORDS[bar % 4][voice] + 12, "aoae"[bar % 4], 1.0)
            for bar, beat in zip(REFRAIN, entries, strict=True)
        ]
        track += _panned(_sung(hand, notes, size=1 + 0.04 * voice), position)
    return track
