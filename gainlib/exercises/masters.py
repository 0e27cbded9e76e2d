"""Mixes that are made into masters: a gain, something that holds the peaks, a file; and what a player makes of them.

Then the files that are handed to somebody who masters them: what may be wrong with each, and how that is measured.
"""

import io
from functools import cache, cached_property, lru_cache
from itertools import permutations
from math import inf, log10

import numpy as np
import scipy
import soundfile

from gainlib.audio import Audio, wav_bytes
from gainlib.exercises.refrain import STEMS, mix, rough_faders_db
from gainlib.exercises.variants import draws, grid, one_of, pick, shuffled
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters import integrated_lufs, sample_peak_dbfs, true_peak_dbtp, upsample
from gainlib.processors import Limiter, Quantiser

BAR_S, HANDED_LUFS, BROADCAST_LUFS, CEILING_DBTP = 2.5, -20.0, -23.0, -1.0
MIXES = {  # stems, and by how much they go over the rough balance
    "song": dict.fromkeys(STEMS, 0.0),
    "ballad": dict.fromkeys(("06 guitar", "07 e-piano", "08 pad", "09 lead vocal"), 0.0),
    "drums": {"01 kick": 0.0, "02 snare": 3.0, "03 overheads": 18.0},
    "voices": {"03 overheads": 14.0, "06 guitar": 0.0, "07 e-piano": 0.0, "09 lead vocal": 0.0, "10 backing": 0.0},
}
LOUD_MIXES, SPAN = ("drums", "voices"), 40
OPEN, CLIP, LIMIT = "open", "clip", "limit"


@cache
def handed_in(name: str) -> Audio:
    """Return the second bar of a mix at −20 LUFS, stereo; the first has a crash that alone would set the loudness."""
    faders = [fader if stem in MIXES[name] else -inf for stem, fader in zip(STEMS, rough_faders_db(), strict=True)]
    bus = mix(faders, [MIXES[name].get(stem, 0.0) for stem in STEMS]).render().bus
    frames = round(BAR_S * bus.rate_hz)
    audio = bus.with_samples(np.array(bus.samples[frames : 2 * frames], np.float64), name)
    return moved(audio, HANDED_LUFS - integrated_lufs(audio))


def moved(audio: Audio, by_db: float) -> Audio:
    """Return audio, louder or softer."""
    return audio.with_samples(audio.samples * db_to_ratio(by_db))


@lru_cache(maxsize=24)
def held(name: str, gain_db: float, holder: str = LIMIT, ceiling_db: float = CEILING_DBTP) -> Audio:
    """Return a mix, moved by a gain, its peaks held."""
    loud = moved(handed_in(name), gain_db)
    if holder == LIMIT:
        return Limiter(ceiling_db).process(loud)
    return clipped(loud, ceiling_db) if holder == CLIP else loud


def clipped(audio: Audio, ceiling_db: float = 0.0) -> Audio:
    """Return audio with every sample cut at a ceiling, as a converter or a file of whole numbers does."""
    top = db_to_ratio(ceiling_db)
    return audio.with_samples(np.clip(audio.samples, -top, top))


class Figures:
    """What the meters read of a master, and by how much its peaks were turned down."""

    def __init__(self, audio: Audio, before: Audio | None = None):
        self.loudness, self.true_peak = integrated_lufs(audio), true_peak_dbtp(audio)
        self.peak, self.plr, self.reduction = sample_peak_dbfs(audio), self.true_peak - self.loudness, 0.0
        if before is not None:
            heard = np.abs(before.samples) > 1e-3
            shares = np.abs(audio.samples[heard]) / np.abs(before.samples[heard])
            self.reduction = max(0.0, -float(ratio_to_db(shares.min())))


@lru_cache(maxsize=4096)
def figures(name: str, gain_db: float, holder: str = LIMIT, ceiling_db: float = CEILING_DBTP) -> Figures:
    """Return the figures of a master."""
    return Figures(held(name, gain_db, holder, ceiling_db), moved(handed_in(name), gain_db))


def played_db(loudness: float, true_peak: float, target: float, up: bool = True) -> float:
    """Return the gain of a player that normalises to a target, and turns up only as far as −1 dBTP."""
    wanted = target - loudness
    return min(wanted, 0.0) if wanted <= 0 or not up else max(0.0, min(wanted, CEILING_DBTP - true_peak))


@lru_cache(maxsize=8)
def file_of(
    name: str, gain_db: float, holder: str, ceiling_db: float, bits: int, dithered: bool
) -> tuple[bytes, Audio]:
    """Return the file of a master as its bytes, and as somebody reads it."""
    master, whole = held(name, gain_db, holder, ceiling_db), bits < 32
    more = {"dither": "tpdf" if dithered and whole else None, "clip": whole}
    content = wav_bytes(master, f"PCM_{bits}" if whole else "FLOAT", "master.wav", **more)
    samples, rate_hz = soundfile.read(io.BytesIO(content), dtype="float64", always_2d=True)
    return content, Audio(samples, rate_hz, "master")


@cache
def plr_db(name: str) -> float:
    """Return the peak-to-loudness ratio of a mix."""
    return Figures(handed_in(name)).plr


SAFE_DBTP = -1.1


@cache
def gain_for(name: str, lufs: float) -> float:
    """Return the gain, to 0.1 dB, at which a mix behind the limiter has a loudness."""
    gain = lufs - HANDED_LUFS
    for _ in range(8):
        off = lufs - figures(name, round(gain, 1), LIMIT, SAFE_DBTP).loudness
        if abs(off) < 0.06:
            break
        gain = round(gain + 1.3 * off, 1)
    return round(gain, 1)


class Master:
    """A master as it is set: what the meters read of it, and its file as somebody reads it.

    Parameters
    ----------
    name : str
        Of the mix.
    gain_db, holder, ceiling_db : float, str, float
        What is done to it.
    bits, dithered : float, bool
        Word of the file; 32 is floating point.
    """

    def __init__(self, name, gain_db, holder, ceiling_db, bits=32, dithered=False):
        self.key = name, round(gain_db, 2), holder, round(ceiling_db, 2)
        self.bits, self._dithered, self.figures = bits, dithered, figures(*self.key)

    @property
    def audio(self) -> Audio:
        """The master itself."""
        return held(*self.key)

    @cached_property
    def file(self) -> tuple[bytes, Audio]:
        """The file, as bytes and as read."""
        return file_of(*self.key, int(self.bits), self._dithered)

    @cached_property
    def read(self) -> Figures:
        """What the meters read of the file."""
        return Figures(self.file[1])

    @property
    def error_db(self) -> float:
        """What the word of the file has changed: plain RMS in dB against amplitude 1."""
        return error_db(self.file[1], self.audio)


# ------------------------------------------------------------------------------------------------- what a desk shows


def around_peak(audio: Audio) -> tuple[np.ndarray, np.ndarray, list[tuple[float, float]]]:
    """Return the wave around its highest point, between the samples too: ms, values, and the samples nearby."""
    fine = upsample(audio.samples, audio.rate_hz)
    factor, (at, channel) = len(fine) // audio.frames, np.unravel_index(np.argmax(np.abs(fine)), fine.shape)
    around = np.arange(-SPAN, SPAN + 1)
    wave = fine[np.clip(at + around, 0, len(fine) - 1), channel] * np.sign(fine[at, channel])
    ms = around / (factor * audio.rate_hz) * 1000
    samples = [k for k in np.flatnonzero((at + around) % factor == 0) if abs(around[k]) <= SPAN / 2]
    return ms, wave, [(ms[k], wave[k]) for k in samples]


def in_five_orders(name: str, gain_db: float, ceiling_db: float) -> dict[str, tuple[float, float, float | None]]:
    """Return true peak, loudness and error of the word of a 16-bit master, made in five orders.

    The error is the plain RMS in dB of what differs from the limited mix; None where it is another mix.
    """
    mixed, limiter, word = handed_in(name), Limiter(ceiling_db), Quantiser(16, "tpdf")
    right = limiter.process(moved(mixed, gain_db))
    slower = Audio(scipy.signal.resample_poly(word.process(right).samples, 147, 160), 44100)
    orders = {
        "gain, limit, dither and word": (word.process(right), True),
        "limit, gain, dither and word": (word.process(moved(limiter.process(mixed), gain_db)), False),
        "dither and word, gain, limit": (limiter.process(moved(word.process(mixed), gain_db)), True),
        "gain, limit, word without dither": (Quantiser(16).process(right), True),
        "gain, limit, word, then 44.1 kHz": (slower, False),
    }
    return {
        order: (true_peak_dbtp(made), integrated_lufs(made), error_db(made, right) if alike else None)
        for order, (made, alike) in orders.items()
    }


def error_db(audio: Audio, wanted: Audio) -> float:
    """Return the plain RMS of a difference, in dB against amplitude 1."""
    return float(ratio_to_db(np.sqrt(np.mean((audio.samples - wanted.samples) ** 2))))


# ----------------------------------------------------------------------------------------------- a target that is drawn

DITHERED_DB = {bits: round(20 * log10(2.0 ** (1 - bits)) - 10 * log10(4), 1) for bits in (16, 24)}
"""Noise of one dithered rounding, q²/4, by the word."""

TARGETS = draws(
    mix=one_of(*LOUD_MIXES), t=one_of(-23, -18, -17, -16, -15), handed=grid(-26, -18, 0.5), word=one_of(16, 24)
)


def met(given: dict) -> Figures:
    """Return the figures of the mix at its target, behind the limiter."""
    return figures(given["mix"], gain_for(given["mix"], given["t"]), LIMIT, SAFE_DBTP)


class Targets:
    """The draw of a target, with the most reduction that reaches it and 0.7 dB to spare."""

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return the target."""
        given = TARGETS(rng)
        return {**given, "most": float(max(1.0, np.ceil(2 * (met(given).reduction + 0.7)) / 2))}

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn."""
        return TARGETS.holds(given) and 1.0 <= given["most"] <= 12.0


# ------------------------------------------------------------------------------------------------------ files handed on


OVER_DB = {"song": 8.0, "ballad": 6.0}  # by how much each is driven over full scale where it is clipped
KINDS = {
    "fine": "master it as it is", "over": "turn it down: nothing is lost",
    "clipped": "ask for another print, with the peaks whole", "low": "ask for another print, in a longer word",
}  # fmt: skip
PRINTS = {
    "fine": grid(-6, -2, 0.5), "over": grid(1, 5, 0.5), "clipped": grid(-7, -1, 0.5), "low": grid(-52, -44, 1),
}  # fmt: skip


@lru_cache(maxsize=16)
def printed(name: str, kind: str, peak_dbfs: float, bits: int) -> Audio:
    """Return a hand-off file of that kind and peak."""
    mixed, top = handed_in(name), sample_peak_dbfs(handed_in(name))
    if kind == "clipped":
        mixed, top = clipped(moved(mixed, OVER_DB[name] - top)), 0.0
    set_so = moved(mixed, peak_dbfs - top)
    return set_so if bits == 32 else Quantiser(bits, "tpdf" if kind == "fine" else "none").process(set_so)


def word_in_use(audio: Audio) -> str:
    """Return the word that a file's samples need: the shortest on whose steps all of them lie."""
    for bits in (16, 24):
        codes = audio.samples[:4800] * 2.0 ** (bits - 1)
        if np.abs(codes - np.rint(codes)).max() < 1e-6:
            return f"{bits} bit"
    return "32-bit float"


class Prints:
    """Five hand-off files: one over full scale, one clipped, one short word that is fine, and two of any kind."""

    def __call__(self, rng: np.random.Generator) -> dict:
        """Return what is drawn."""
        kinds = shuffled(rng, ["over", "clipped", "fine", pick(rng, list(KINDS)), pick(rng, list(KINDS))])
        return {"kinds": kinds, "mixes": [pick(rng, list(OVER_DB)) for _ in kinds],
                "peaks": [PRINTS[kind].draw(rng) for kind in kinds],
                "words": [self._word(rng, kinds, k) for k in range(len(kinds))]}  # fmt: skip

    @staticmethod
    def _word(rng, kinds, k):
        first = kinds.index(kinds[k]) == k
        choices = {"over": [32], "low": [16], "fine": [16] if first else [16, 24, 32], "clipped": [24, 32]}
        return pick(rng, choices[kinds[k]])

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn."""
        kinds = given["kinds"]
        return len(kinds) == 5 and {"over", "clipped", "fine"} <= set(kinds) <= set(KINDS) and all(
            PRINTS[kind].holds(peak) for kind, peak in zip(kinds, given["peaks"], strict=True)
        ) and set(given["mixes"]) <= set(OVER_DB) and set(given["words"]) <= {16, 24, 32}  # fmt: skip


def files_of(given: dict) -> dict[str, Audio]:
    """Return the files of a draw, A to E."""
    columns = (given["mixes"], given["kinds"], given["peaks"], given["words"])
    return dict(zip("ABCDE", (printed(*each) for each in zip(*columns, strict=True)), strict=True))


# ---------------------------------------------------------------------------------------------- the order of the steps

STEPS = {
    "eq": "equalise", "gain": "set the gain", "rate": "convert the sample rate", "limit": "limit the true peak",
    "check": "measure the true peak", "dither": "add dither", "word": "shorten the word",
}  # fmt: skip


def in_order(order: list[str]) -> bool:
    """Whether an order of steps is right: what moves peaks before the limiter, dither once, just before the word."""
    at = {step: k for k, step in enumerate(order)}
    return (
        all(at[each] < at["limit"] for each in ("eq", "gain", "rate") if each in at)
        and at["limit"] < at["check"] and at["limit"] < at["dither"] and at["word"] == at["dither"] + 1
    )  # fmt: skip


def orders_of(given: dict) -> list[list[str]]:
    """Return all orders of the steps drawn that are right."""
    return [list(each) for each in permutations(given["steps"]) if in_order(each)]


class Steps:
    """The draw of six steps, shuffled, out of order."""

    def __call__(self, rng: np.random.Generator) -> dict | None:
        """Return the steps as they are shown, None where they already are in order."""
        left_out = pick(rng, ("eq", "gain", "rate"))
        steps = shuffled(rng, [each for each in STEPS if each != left_out])
        given = {"steps": steps, "bits": pick(rng, (16, 24))}
        return given if self.holds(given) else None

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn."""
        steps = given["steps"]
        whole = len(steps) == 6 == len(set(steps)) and set(STEPS) - set(steps) <= {"eq", "gain", "rate"}
        return whole and not in_order(steps) and given["bits"] in (16, 24)


def wrong_order(given: dict, *moves: tuple[str, int]) -> list[str]:
    """Return the right order with some steps taken to another place."""
    order = next(iter(orders_of(given)))
    for step, place in moves:
        order.remove(step)
        order.insert(place, step)
    return order


# ---------------------------------------------------------------------------------------------------------- in a player


def both(given: dict) -> list[tuple[float, float]]:
    """Return loudness and true peak of two mixes as they come."""
    found = (given[f"lufs_{which}"] for which in "ab")
    return [(level, level + plr_db(given[f"mix_{which}"])) for level, which in zip(found, "ab", strict=True)]


def _split(given):
    """Whether loudness binds one of the two mixes and true peak the other, by enough."""
    over = [peak - level - (given["p"] - given["t"]) for level, peak in both(given)]
    return over[0] * over[1] < 0 and min(map(abs, over)) > 0.7


TWO_MIXES = draws(
    mix_a=one_of(*MIXES), mix_b=one_of(*MIXES), lufs_a=grid(-26, -18, 0.5), lufs_b=grid(-26, -18, 0.5),
    t=one_of(-18, -17, -16, -15, -14), p=one_of(-1, -2), where=_split,
)  # fmt: skip


def three(given: dict) -> dict[str, tuple[float, float]]:
    """Return loudness and true peak of A, B and C: one loud, one with no room above it, one soft with room."""
    loud = figures(given["mix_loud"], float(given["gain_loud"]))
    tight, free = given["peak_tight"], given["t"] - given["up"]
    found = {
        "loud": (loud.loudness, loud.true_peak),
        "tight": (tight - plr_db(given["mix_tight"]), tight),
        "free": (free, free + plr_db(given["mix_free"])),
    }
    return {kind: tuple(round(each, 2) for each in found[kind]) for kind in given["order"].split()}


def moves(given: dict, **only) -> list:
    """Return the player's gains; with `only` those a wrong rule gives for some kinds, None elsewhere."""
    found = []
    for kind, (level, peak) in three(given).items():
        right = played_db(level, peak, given["t"])
        found.append(right if not only else only[kind](level, peak) if kind in only else None)
    return found


def _fair(given):
    found = three(given)
    want, room = given["t"] - found["tight"][0], -1 - found["tight"][1]
    tight = want - max(0.0, room) > 1 and abs(want - room - 1) > 0.6
    return found["loud"][0] - given["t"] > 1 and tight and found["free"][1] + given["up"] < -1.3


THREE = draws(
    order=one_of(*map(" ".join, permutations(("loud", "tight", "free")))), t=one_of(-18, -16, -14),
    mix_loud=one_of(*LOUD_MIXES), gain_loud=grid(8, 18), mix_tight=one_of(*LOUD_MIXES), peak_tight=grid(-4, -0.2, 0.2),
    mix_free=one_of("song", "ballad"), up=grid(2, 7, 0.5), where=_fair,
)  # fmt: skip
