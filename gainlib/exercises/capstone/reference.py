"""One right way through the capstone, from the plan of :mod:`gainlib.mix`, and the usual mistakes made on it.

The marks know nothing of it: they measure what is handed in, and so they are what checks the plan. A plan goes by its
own limits (bypass 0.1 dB, balance 0.01 dB, sends 0.05 dB), which are narrower than those asked for here.
"""

import copy
from functools import lru_cache
from typing import NamedTuple

from gainlib.demo.session import CUED, DRUMS
from gainlib.exercises.capstone import assignment, delivery
from gainlib.exercises.capstone.marks import reduction_db
from gainlib.exercises.capstone.measurements import figures_of, group_levels
from gainlib.exercises.practical import controls_of, shifted
from gainlib.mix import plan

TARGET_DBTP = -6.2
_CLOSE_DB, _PER_DB, _ROUNDS = 0.05, 0.4, 4  # a ratio of 2 answers a dB with up to half a dB
_KEPT = 128


class Planned(NamedTuple):
    """A plan without its audio: where everything goes, and why, one sentence a move."""

    controls: dict
    reasons: tuple[str, ...]


@lru_cache(maxsize=_KEPT)
def planned(seed: int) -> Planned:
    """Return the plan of a session; a few seconds of work the first time."""
    given = {"seed": seed}
    made = plan(assignment.session(given), TARGET_DBTP, checked=False)
    placed: dict = {}
    for control in assignment.controls(given):
        (now,) = controls_of(made.session, (control.name,), (control.target,))
        placed.setdefault(control.target, {})[control.name] = round(now.start, 2)
    _hold_reduction(placed, given)
    return Planned(placed, tuple(move.reason for move in made.moves))


def _hold_reduction(placed, given):
    """Set the drum group's trim so that its compressor takes off what it took off; the plan holds its drive only.

    Restaged drums have another shape, and at the same energy another shape is reduced by another amount.
    """
    wanted, now = reduction_db(_drums(assignment.as_found(given), given)), _drums(placed, given)
    for _ in range(_ROUNDS):
        off, before = reduction_db(now) - wanted, now["drums/out"].energy_dbfs
        if abs(off) <= _CLOSE_DB:
            return
        placed["drums"]["trim_db"] = round(placed["drums"]["trim_db"] - off / _PER_DB, 2)
        now = _drums(placed, given)
        was, lost = placed["drums"]["post_trim_db"], before - now["drums/out"].energy_dbfs
        placed["drums"]["post_trim_db"] = round(was + lost, 2)
        now["drums/out"] = now["drums/out"].shifted(placed["drums"]["post_trim_db"] - was)


def _drums(placed, given):
    return group_levels(given["seed"], placed, "drums", meters=("rms",))


def controls(given: dict) -> dict:
    """Return the controls of one right way."""
    return copy.deepcopy(planned(given["seed"]).controls)


def handed_over(given: dict) -> dict:
    """Return these controls with what is measured on their export."""
    placed = controls(given)
    frames = assignment.session(given).frames
    return {"controls": placed, "export": delivery.facts_of(figures_of(placed, given), frames)}


def filled_sheet(given: dict) -> dict:
    """Return these controls with the readings asked for, as a meter shows them."""
    placed = controls(given)
    figures = figures_of(placed, given)
    return {"controls": placed, "cells": [round(delivery.reading(figures, cell), 1) for cell in given["cells"]]}


def reasons(given: dict) -> str:
    """Return why every control goes where it goes, as a list in Markdown."""
    return "\n".join(f"- {reason}" for reason in planned(given["seed"]).reasons)


# ------------------------------------------------------------------------------------------------------------- mistakes


def unmatched(given: dict) -> dict:
    """Return the drive set well and every output gain left at 0 dB, each drive put right again behind the last box."""
    placed = controls(given)
    for stem in assignment.SOUNDING:
        taken = 0.0
        for number in range(1, assignment.MOST_INSERTS + 1):
            if f"insert {number} out_db" in placed[stem]:
                placed[stem][f"insert {number} in_db"] = round(placed[stem][f"insert {number} in_db"] + taken, 2)
                taken = placed[stem][f"insert {number} out_db"]
                placed[stem][f"insert {number} out_db"] = 0.0
    return placed


def one_fader(given: dict) -> dict:
    """Return one fader off by a decibel, all else right."""
    return shifted(controls(given), {"08 pad": {"fader_db": 1.0}})


def drums_at_the_strips(given: dict) -> dict:
    """Return the drums moved at their own strips, and brought back behind the group's compressor."""
    right = controls(given)
    lower = shifted(right, {stem: {"post_trim_db": -4.0} for stem in DRUMS})
    before, now = (_drums(each, given)["drums/out"].energy_dbfs for each in (right, lower))
    return shifted(lower, {"drums": {"post_trim_db": before - now}})


def cue_forgotten(given: dict) -> dict:
    """Return the cue sends left where they were found."""
    placed, found = controls(given), assignment.as_found(given)
    for stem in CUED:
        placed[stem]["send cue level_db"] = found[stem]["send cue level_db"]
    return placed


def clipped(given: dict) -> dict:
    """Return everything that reaches the bus up by 10 dB, and no export."""
    reaching = (*(stem for stem in assignment.SOUNDING if stem not in DRUMS), *assignment.GROUPS)
    hot = shifted(controls(given), {name: {"post_trim_db": 10.0} for name in reaching})
    return {"controls": hot, "export": None}
