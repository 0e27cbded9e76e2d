"""A mix too hot for its fixed-point sum, to be brought down by its faders: how it is drawn, and what is measured."""

import numpy as np

from gainlib.exercises.checks import Measured
from gainlib.exercises.controls import MASTER, answer_from, applied, controls_of
from gainlib.exercises.mixing.refrain import STEMS, mix, read_mix, rough_faders_db, short_name, widest_move
from gainlib.exercises.model import Probes
from gainlib.exercises.practical import Control
from gainlib.exercises.variants import grid, pick
from gainlib.mix import common_offset
from gainlib.session import Session

WINDOW_DBTP = (-7.0, -6.0)
AIM_DBTP = -6.5
APART_DB = 0.1


def draw(rng: np.random.Generator) -> dict:
    """Draw faders around the rough balance, and one trim for all that takes the float sum 3 to 9 dB over full scale."""
    faders = [round(rough + pick(rng, grid(-5, 5, 0.5).values), 1) for rough in rough_faders_db()]
    over_dbtp = pick(rng, grid(3, 9, 0.1).values)
    trim = round(over_dbtp + common_offset(mix(faders), 0.0), 1)
    return {"faders_db": faders, "trim_db": trim}


def hot_mix(given: dict) -> Session:
    """Return the session that is handed out."""
    return mix(given["faders_db"], given["trim_db"], bus="fixed", name="All faders")


def controls(given: dict) -> tuple[Control, ...]:
    """Return the faders of all tracks and of the master."""
    return controls_of(hot_mix(given), ["fader_db"])


def compact(document: dict, given: dict) -> dict:
    """Return the answer that a whole session in JSON amounts to."""
    return answer_from(document, hot_mix(given), controls(given))


def offset_db(given: dict) -> float:
    """Return the move of all faders that brings the float sum to the middle of the window, to 0.1 dB."""
    return round(common_offset(hot_mix(given), AIM_DBTP), 1)


def moved(given: dict, by_db: float, stems=STEMS, master_db: float = 0.0) -> dict:
    """Return an answer: some faders moved by the same number, the master fader somewhere."""
    faders = zip(STEMS, given["faders_db"], strict=True)
    placed = {stem: {"fader_db": round(fader + (by_db if stem in stems else 0.0), 3)} for stem, fader in faders}
    return {**placed, MASTER: {"fader_db": master_db}}


def true_peak_dbtp(answer: dict, given: dict) -> float:
    """Return the true peak of the bus."""
    return read_mix(applied(hot_mix(given), answer)).true_peak_dbtp


def cut_samples(answer: dict, given: dict) -> int:
    """Return how many samples of the sum are cut off at full scale."""
    return read_mix(applied(hot_mix(given), answer)).cut_samples


def balance(answer: dict, given: dict) -> Measured:
    """Return how far the level between any two tracks has moved, and which two."""
    after = read_mix(applied(hot_mix(given), answer))
    moved_db, louder, softer = widest_move(read_mix(hot_mix(given)), after)
    return Measured(moved_db, f"balance between {short_name(louder)} and {short_name(softer)} moved by")


def loudest(given: dict) -> str:
    """Return the track with the highest level in the sum."""
    levels = read_mix(hot_mix(given)).levels_dbfs
    return max(levels, key=levels.get)


def one_fader_moved(answer: dict, given: dict) -> bool:
    """Whether exactly one track's fader is not where it was."""
    return _faders_moved(answer, given) == 1


def master_only_moved(answer: dict, given: dict) -> bool:
    """Whether the master fader was moved and no other."""
    return _faders_moved(answer, given) == 0 and abs(answer[MASTER]["fader_db"]) > APART_DB


def _faders_moved(answer, given):
    start = zip(STEMS, given["faders_db"], strict=True)
    return sum(abs(answer[stem]["fader_db"] - fader) > APART_DB for stem, fader in start)


def nudges(key: dict, given: dict) -> Probes:
    """Return moves within half of each band, and moves two bands beyond."""
    offset, (first, second) = offset_db(given), STEMS[:2]
    half = (AIM_DBTP - WINDOW_DBTP[0]) / 2
    near = {first: {"fader_db": key[first]["fader_db"] + APART_DB / 2}}
    far = {second: {"fader_db": key[second]["fader_db"] + 2 * APART_DB}}
    wrong = (moved(given, offset + 4 * half), moved(given, offset - 4 * half), {**key, **far}, moved(given, 0.0))
    return Probes((moved(given, offset + half), moved(given, offset - half), {**key, **near}), wrong)
