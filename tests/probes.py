"""Answers to a part with a known verdict, by the kind of part: the contract that every exercise keeps."""

import json
import math
from dataclasses import dataclass
from functools import singledispatch

from gainlib.exercises import Abx, Choice, LevelMatch, Matching, Multi, Number, Order, State
from gainlib.exercises.capstone.delivery import WITHIN_DB, FilledSheet, HandedOver
from gainlib.exercises.capstone.marks import Beside
from gainlib.exercises.fader_fit import LAW, LEAST_PAIRS, OWN, LaidLaw
from gainlib.exercises.practical import shifted
from gainlib.labs import lab05, lab07, lab08, lab09
from gainlib.words import quantity

JUNK = ("three or so", True, float("nan"), {"no such": 1}, [1, 2, 3], object())
"""Answers that no part can read."""


@dataclass(frozen=True)
class Probes:
    """Answers in JSON that must get that verdict."""

    right: tuple = ()
    wrong: tuple = ()
    invalid: tuple = ()


@singledispatch
def probes_of(part, key, given):
    """Return answers to a part with a known verdict; `key` is the right one as read."""
    raise NotImplementedError(type(part).__name__)


@probes_of.register
def _(part: Number, key, given):
    """Half a tolerance off is right, two are wrong; comma, true minus and unit are read."""
    low, high = part.limits(key, given)
    middle, half = (low + high) / 2, (high - low) / 2
    typed = quantity(middle, part.unit, 9).replace(".", ",")
    return Probes(
        right=(middle, middle - half / 2, middle + half / 2, typed, f" {middle!r} "),
        wrong=(middle - 2 * half, middle + 2 * half),
        invalid=(*JUNK, "3 parsecs", "1,000.5", math.inf, 10**400),
    )


@probes_of.register
def _(part: Choice, key, given):
    """Every other option is wrong."""
    others = tuple(option.key for option in part.options_for(given) if option.key != key)
    return Probes((key, f" {key.upper()} "), others, (*JUNK, 3.5, [key]))


@probes_of.register
def _(part: Multi, key, given):
    """One tick more or less is wrong; where that still earns a part, all of them the other way round."""
    keys = [option.key for option in part.options_for(given)]
    turned = [{each} for each in keys] if part.partly_from >= 1 else [set(keys)]
    toggled = tuple(sorted(set(key) ^ each) for each in turned)
    invalid = (*JUNK, [*key[:1], *key[:1]], ["no such option"], keys[0])
    return Probes((list(key), list(reversed(key))), tuple(wrong for wrong in toggled if wrong), invalid)


@probes_of.register
def _(part: Order, key, given):
    """Swapping the ends is wrong; leaving one out is invalid."""
    swapped = [key[-1], *key[1:-1], key[0]]
    return Probes((list(key),), (swapped,), (*JUNK, list(key[:-1]), [key[0]] * len(key)))


@probes_of.register
def _(part: Matching, key, given):
    """All entries moved on by one option are wrong; a missing item is invalid."""

    def as_json(value):
        return {name: list(tags) if part.several else tags[0] for name, tags in value.items()}

    keys = [option.key for option in part.options_for(given)]
    moved = {name: tuple(keys[(keys.index(tag) + 1) % len(keys)] for tag in tags) for name, tags in key.items()}
    wrong = () if moved == key else (as_json(moved),)
    missing = {} if part.several else dict(list(as_json(key).items())[1:])
    return Probes((as_json(key),), wrong, (*JUNK, {"no such item": keys[0]}, *([missing] if missing else [])))


def _with_silence(part, key, given, wrong):
    """The right trials and the silent way are right; too few trials are invalid."""
    silent = ({"silent": part.silent.solve(given)},) if part.silent else ()
    return Probes((list(key), *silent), wrong, (*JUNK, list(key[:-1]), [*key, key[0]]))


@probes_of.register
def _(part: Abx, key, given):
    turned = [{"A": "B", "B": "A"}[pick] for pick in key]
    return _with_silence(part, key, given, (turned,) if part.must_show else ())


@probes_of.register
def _(part: LevelMatch, key, given):
    return _with_silence(part, key, given, ([setting + 2 * part.tolerance for setting in key],))


@probes_of.register
def _(part: State, key, given):
    """What moves a control within its band or out of it (:data:`NUDGES`), and what cannot be read."""
    own = NUDGES.get(given.get("exercise"), lambda key, given: Probes())(key, given)
    target, fields = next(iter(key.items()))
    name = next(iter(fields))
    beyond = next(each for each in part.controls_for(given) if (each.target, each.name) == (target, name))
    bad = ({"no such strip": {name: 0.0}}, {target: {"no_such_control": 0.0}}, {target: {name: beyond.high + 1.0}})
    more = ({target: {name: True}}, {target: {name: "loud"}}, {target: 3.0})
    return Probes((key, json.dumps(key), *own.right), own.wrong, (*JUNK, *bad, *more, *own.invalid))


@probes_of.register
def _(part: LaidLaw, key, given):
    """Half a tolerance off is right, two are wrong, for either number; points of one's own count instead."""

    def law(exponent=1.0, unity=1.0, **more):
        scaled = {name: value * by for (name, value), by in zip(key[LAW].items(), (exponent, unity), strict=True)}
        return {LAW: scaled, **more}

    half, far = part.relative / 2, 2 * part.relative
    mm, db = part.points_of(given)
    softer = {"mm": mm, "db": [level if isinstance(level, str) else level / 2 for level in db]}
    right = (key, json.dumps(key), law(1 + half, 1 - half), law(1 - half, 1 + half), law(0.5, 1.0, own=softer))
    wrong = (law(1 + far), law(1 - far), law(1.0, 1 + far), law(1.0, 1 - far), law(own=softer))
    few = {"mm": mm[:LEAST_PAIRS], "db": db[:LEAST_PAIRS]}
    bad = (law(own=few), law(own={"mm": mm, "db": db[1:]}), law(own={"mm": mm, "db": ["loud"] * len(mm)}))
    bad += (law(own=[1, 2]), law(own={"mm": [True] * 7, "db": [-1.0] * 7}), law(own={"mm": mm, "db": db[::-1]}))
    bad += ({LAW: {"exponent": 99}}, {LAW: {"slope": 1.0}}, {OWN: softer}, law(cue=3.0))
    return Probes(right, wrong, (*JUNK, *bad))


@probes_of.register
def _(part: Beside, key, given):
    """The right one, and what cannot be read."""
    strange = {**key, "controls": {"no such strip": {"fader_db": 0.0}}}
    return Probes((key, json.dumps(key)), (), (*JUNK, {"controls": key["controls"]}, strange, {**key, "more": 1}))


@probes_of.register
def _(part: HandedOver, key, given):
    """What is no measurement of a file is not read."""
    facts, own = key["export"], probes_of.dispatch(Beside)(part, key, given)
    unread = ("mix.wav", {**facts, "sha256": "mix.wav"}, {"file": "mix.wav"}, {**facts, "bits": "many"})
    return Probes((key,), (), (*own.invalid, *({**key, "export": each} for each in unread)))


@probes_of.register
def _(part: FilledSheet, key, given):
    """A tenth of a dB off is right, all cells off are wrong."""
    cells, own = key["cells"], probes_of.dispatch(Beside)(part, key, given)
    near, far = ({**key, "cells": [round(each + by, 1) for each in cells]} for by in (0.1, -2 * WITHIN_DB))
    unread = (cells[:-1], ["loud", *cells[1:]], "−18 dBFS")
    return Probes((key, near), (far,), (*own.invalid, *({**key, "cells": each} for each in unread)))


# ------------------------------------------------------------------------------- controls of single exercises, by hand


def _all_faders(key, given):
    offset, (first, second), half = lab05.offset_db(given), lab05.STEMS[:2], lab05.WINDOW_DBTP / 2
    near = shifted(key, {first: {"fader_db": lab05.APART_DB / 2}})
    far = shifted(key, {second: {"fader_db": 2 * lab05.APART_DB}})
    wrong = (*(lab05.moved(given, by) for by in (offset + 4 * half, offset - 4 * half, 0.0)), far)
    return Probes((lab05.moved(given, offset + half), lab05.moved(given, offset - half), near), wrong)


def _three_stages(key, given):
    half, last = lab07.MATCH_DB / 2, f"insert {lab07.STAGES} out_db"
    moves = {"post_trim_db": half}, {"post_trim_db": -half}, {last: half, "post_trim_db": -half}
    return Probes(tuple(shifted(key, {lab07.NAME: each}) for each in moves))


def _a_compressor(key, given):
    def moved(**by):
        return shifted(key, {"compressor": by})

    half, two = lab08.MATCH_DB / 2, 2 * lab08.MATCH_DB
    lower = moved(trim_db=-3.0, threshold_db=-3.0)
    wrong = moved(makeup_db=two), moved(makeup_db=-two), moved(trim_db=6.0), moved(threshold_db=6.0)
    return Probes((moved(makeup_db=half), moved(makeup_db=-half), lower), wrong)


def _near_unity(key, given):
    cue, sending, same = given[lab09.CUE], dict(lab09._sends(given).values()), lab09.SAME_DB
    easy = max(lab09.STEMS, key=lambda stem: key[stem]["post_trim_db"] + key[stem]["fader_db"])

    def up(by):
        return {"fader_db": by, "post_trim_db": -by} | ({sending[easy]: by} if easy in sending else {})

    right = (easy, {"post_trim_db": same / 2}), (easy, {"post_trim_db": -same / 2}), (easy, up(1.5))
    wrong = (easy, {"post_trim_db": 2 * same}), (easy, {"fader_db": -2 * same}), (easy, up(6.0))
    both = ((*moves, (cue, {sending[cue]: by})) for moves, by in ((right, same / 2), (wrong, 2 * same)))
    right, wrong = (tuple(shifted(key, {stem: by}, 3) for stem, by in moves) for moves in both)
    return Probes(right, (*wrong, lab09.FAR_TASK.found(given)))


NUDGES = {"05-5": _all_faders, "07-4": _three_stages, "08-6": _a_compressor, "09-5": _near_unity}
