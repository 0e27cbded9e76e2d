"""Down and up again, many times: what that costs in each arithmetic.

Every round turns the signal down by d dB and up by d dB. Arithmetics, each step by step:

- "float64": both gains and both products in 64 bit;
- "float32": both gains rounded to 32 bit, and the product after each;
- "24 bit", "16 bit": after each gain the product is rounded to the grid of a word of so many bits, 2^(1 − bits) for
  full scale ±1, with or without triangular dither of two steps peak to peak at every rounding.

Source of the prediction: each dithered rounding adds noise of q²/4 (Lipshitz, Wannamaker, Vanderkooy 1992); what is
added while the signal is low is raised by d; independent noises add in power.
"""

import math
from collections.abc import Iterator
from itertools import islice

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.boxes.probing import power_db

ARITHMETICS, WORDS = ("float64", "float32", "24 bit", "16 bit"), range(10, 25)
PROGRAMME_DBFS, PROGRAMME_S, PROGRAMME_HZ, PROGRAMME_SEED = -15.0, 4.0, 48000, 5


def programme() -> Audio:
    """Return what is turned down and up unless somebody has music: noise that is the same every time.

    Mono, 32-bit float, −15 dB plain RMS, within full scale.
    """
    frames = round(PROGRAMME_S * PROGRAMME_HZ)
    noise = np.random.default_rng(PROGRAMME_SEED).uniform(-1.0, 1.0, (frames, 1))
    scaled = noise * 10.0 ** (PROGRAMME_DBFS / 20.0) / noise.std()
    return Audio(scaled.astype(np.float32), PROGRAMME_HZ, "programme")


def round_trips(
    audio: Audio,
    attenuation_db: float,
    rounds: int,
    arithmetic: str = "float32",
    *,
    dither: bool = False,
    seed: int = 0,
) -> Audio:
    """Return audio after so many rounds of −d dB and +d dB.

    Parameters
    ----------
    audio : Audio
    attenuation_db : float
        d, positive.
    rounds : int
        0 or more.
    arithmetic : {"float64", "float32", "24 bit", "16 bit"}
    dither : bool
        Triangular dither at every rounding of a word of whole numbers.
    seed : int
        Of the dither.

    Returns
    -------
    audio : Audio
        float64 samples; not clipped.

    Raises
    ------
    GainlibError
        For an unknown arithmetic and for numbers that make no sense.
    """
    if not 0 <= attenuation_db <= 200:
        raise GainlibError(f"attenuation is {attenuation_db!r} dB; give 0 to 200")
    if isinstance(rounds, bool) or int(rounds) != rounds or rounds < 0:
        raise GainlibError(f"rounds is {rounds!r}; give a whole number, 0 or more")
    after = each_round(audio, -attenuation_db, arithmetic, dither=dither, seed=seed)
    return audio.with_samples(next(islice(after, int(rounds), None)).astype(np.float64))


def each_round(
    audio: Audio,
    first_db: float,
    arithmetic: str = "float32",
    *,
    dither: bool = False,
    seed: int = 0,
    clip: bool = False,
) -> Iterator[np.ndarray]:
    """Yield the samples as an arithmetic holds them, and then those after each round, without end and in its own type.

    The first gain of a round is `first_db`; the second takes it back. A word of the arithmetic may have any length from
    10 to 24 bits. With `clip`, every step ends at full scale.
    """
    held, step = _held(audio, arithmetic)
    gains, rng = [10.0 ** (first_db / 20.0), 10.0 ** (-first_db / 20.0)], np.random.default_rng(seed)
    gains = [np.float32(gain) for gain in gains] if arithmetic == "float32" else gains
    yield held
    while True:
        for gain in gains:
            if step:
                held = held * (gain / step)
                if dither:
                    held += rng.random(held.shape, np.float32) - rng.random(held.shape, np.float32)
                held = np.round(held) * step
            else:
                held = held * gain
            held = np.clip(held, -1.0, 1.0 - step) if clip else held
        yield held


def _held(audio, arithmetic):
    """Return the samples as an arithmetic holds them, and the step of its grid, 0 for floating point."""
    if arithmetic.startswith("float"):
        if arithmetic in ARITHMETICS:
            return audio.samples.astype(arithmetic), 0.0
    elif arithmetic in (f"{bits} bit" for bits in WORDS):
        step = 2.0 ** (1 - int(arithmetic[:2]))
        return np.round(audio.samples.astype(np.float64) / step) * step, step
    raise GainlibError(f"arithmetic is {arithmetic!r}; there is {', '.join(ARITHMETICS)}, or a word of 10 to 24 bit")


def residuals_dbfs(audio: Audio, first_db: float, rounds: int, arithmetic: str = "float32", **more) -> np.ndarray:
    """Return the plain RMS of what 1, 2, … rounds changed, in dB against amplitude 1; −inf where nothing is left."""
    after = each_round(audio, first_db, arithmetic, **more)
    held = next(after).astype(np.float64)
    return np.array([power_db(np.mean((each - held) ** 2)) for each in islice(after, rounds)])


def residual_dbfs(audio: Audio, after: Audio, arithmetic: str = "float64") -> float:
    """Return the plain RMS of what the rounds changed, in dB against amplitude 1.

    Parameters
    ----------
    audio, after : Audio
        Before and after the rounds.
    arithmetic : str
        The rounds' arithmetic; the residual is taken against the signal as that arithmetic holds it.

    Returns
    -------
    float
    """
    return power_db(np.mean((after.samples - _held(audio, arithmetic)[0].astype(np.float64)) ** 2))


def predicted_dbfs(attenuation_db: float, rounds: int, bits: int) -> float:
    """Return the plain RMS that dithered rounds leave, in dB against amplitude 1, the last boost's own noise left out.

    Parameters
    ----------
    attenuation_db : float
        How far every round turns down, and up again.
    rounds : int
        How often.
    bits : int
        Word length.

    Returns
    -------
    float
        Level in dB.

    Examples
    --------
    >>> round(predicted_dbfs(40, 20, 24), 1)
    -91.5
    """
    step = 2.0 ** (1 - bits)
    return 10.0 * math.log10(step**2 / 4.0) + attenuation_db + 10.0 * math.log10(rounds)
