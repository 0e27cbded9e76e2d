"""Three stages in a row, each with its own reference: how they are drawn, set by the book, and measured."""

from functools import cache, lru_cache

import numpy as np

from gainlib.audio import GainlibError
from gainlib.exercises.controls import answer_from, applied, controls_of
from gainlib.exercises.model import Probes
from gainlib.exercises.practical import Control
from gainlib.exercises.stems import STEMS, bar
from gainlib.exercises.text import fill
from gainlib.exercises.variants import draws, one_of, pick, shuffled
from gainlib.levels import db_to_ratio, ratio_to_db
from gainlib.meters import NodeReading
from gainlib.meters.average import averages
from gainlib.processors import AsymmetricSaturation, Processor, Saturation, Tape
from gainlib.session import Insert, Session, Strip

REFERENCES_DBFS = (-20, -18, -14, -12)
KINDS = ("symmetrical", "asymmetrical", "tape-like")
STAGES = 3
NAME = "strip"
WITHIN_DB, MATCH_DB = 1.0, 0.2
_NOMINAL_DBFS = -18.0
_LEAST_TRIM_DB = 1.0
_RENDERED = 32
_NO_MOVE_DB = 0.01


# ------------------------------------------------------------------------------------------------------------ the draw


class Chains:
    """The draw of a stem, the order of the stages and their references; no two neighbours like the same level."""

    def __call__(self, rng: np.random.Generator) -> dict | None:
        """Return a chain whose first stage asks for a trim."""
        references = [pick(rng, REFERENCES_DBFS) for _ in range(STAGES)]
        given = {"stem": pick(rng, STEMS), "kinds": shuffled(rng, KINDS), "references": references}
        return given if self._fits(given) else None

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn."""
        known = draws(stem=one_of(*STEMS)).holds(given) and sorted(given["kinds"]) == sorted(KINDS)
        return known and all(each in REFERENCES_DBFS for each in given["references"]) and self._fits(given)

    @staticmethod
    def _fits(given):
        first, second, third = given["references"]
        return first != second != third and abs(first - active_dbfs(given["stem"])) >= _LEAST_TRIM_DB


@cache
def active_dbfs(stem: str) -> float:
    """Return the active level of a stem's bar."""
    return averages(bar(stem)).active_dbfs


def stage(kind: str, reference_dbfs: float) -> Processor:
    """Return a model that distorts at a reference as its usual form does at −18 dBFS: its drive moves with it.

    Parameters
    ----------
    kind : str
        One of ``KINDS``.
    reference_dbfs : float
        Average level it is built for.

    Returns
    -------
    Processor

    Examples
    --------
    >>> stage("symmetrical", -18.0)
    Saturation(drive=2.79)
    >>> round(stage("symmetrical", -12.0).drive, 3)
    1.398
    """
    softer = float(db_to_ratio(_NOMINAL_DBFS - reference_dbfs))
    if kind == "symmetrical":
        return Saturation(2.79 * softer)
    if kind == "asymmetrical":
        return AsymmetricSaturation(2.0 * softer)
    if kind == "tape-like":
        return Tape(2.0 * softer)
    raise GainlibError(f"there is no stage {kind!r}; there is {', '.join(KINDS)}")


@lru_cache(maxsize=_RENDERED)
def _chain(stem, kinds, references):
    inserts = tuple(Insert(stage(kind, level)) for kind, level in zip(kinds, references, strict=True))
    return Session((Strip(NAME, bar(stem), inserts=inserts),), name="Three stages")


def chain(given: dict) -> Session:
    """Return the session that is handed out: one strip, everything at 0 dB."""
    return _chain(given["stem"], tuple(given["kinds"]), tuple(given["references"]))


def controls(given: dict) -> tuple[Control, ...]:
    """Return the trim, in and out gain of every stage, and the post trim."""
    names = ["trim_db", *(f"insert {k} {side}_db" for k in range(1, STAGES + 1) for side in ("in", "out"))]
    return controls_of(chain(given), [*names, "post_trim_db"], (NAME,))


def compact(document: dict, given: dict) -> dict:
    """Return the answer that a whole session in JSON amounts to."""
    return answer_from(document, chain(given), controls(given))


# ------------------------------------------------------------------------------------------------------------- measured

SOURCE, POST = f"{NAME}/source", f"{NAME}/post"
INTO = tuple(f"{NAME}/insert {k}/in" for k in range(1, STAGES + 1))
OUT_OF = tuple(f"{NAME}/insert {k}/out" for k in range(1, STAGES + 1))
AHEAD = (f"{NAME}/trim", *OUT_OF[:-1])
NODES = (SOURCE, AHEAD[0], *(node for pair in zip(INTO, OUT_OF, strict=True) for node in pair), POST)


@lru_cache(maxsize=_RENDERED)
def levels(session: Session) -> dict[str, NodeReading]:
    """Render a chain and return the levels along it, by node."""
    return session.render().levels(NODES, ("sample_peak", "rms", "active"))


def _of(answer, given):
    return levels(applied(chain(given), answer))


def into(place: int):
    """Return the measurement of the active level that a stage gets, counted from 0."""
    return lambda answer, given: _of(answer, given)[INTO[place]].active_dbfs


def reference(place: int):
    """Return the band around a stage's reference."""
    return lambda given: (given["references"][place] - WITHIN_DB, given["references"][place] + WITHIN_DB)


def against_bypass(place: int):
    """Return the measurement of how much louder a stage is than its bypass, by energy."""

    def measure(answer, given):
        found = _of(answer, given)
        return found[OUT_OF[place]].energy_dbfs - found[AHEAD[place]].energy_dbfs

    return measure


def in_all(answer: dict, given: dict) -> float:
    """Return how much louder the whole strip is than the stem as it came, by energy."""
    found = _of(answer, given)
    return found[POST].energy_dbfs - found[SOURCE].energy_dbfs


# --------------------------------------------------------------------------------------------------- answers and slips


def walked(given: dict, match: str = "energy", post: bool = True) -> dict:
    """Return an answer set from left to right: feed each stage its reference, then match it to its bypass.

    Parameters
    ----------
    given : dict
        The variant.
    match : {"energy", "active", "peak", "none"}
        What is made equal at each bypass, "active" being the active level; "none" leaves every out gain at 0 dB.
    post : bool
        Whether the post trim brings back the level that the stem came with.
    """
    return _walked(given["stem"], tuple(given["kinds"]), tuple(given["references"]), match, post)


@lru_cache(maxsize=_RENDERED)
def _walked(stem, kinds, references, match, post):
    audio = bar(stem)
    source = audio.samples.astype(np.float64)
    trim = round(references[0] - active_dbfs(stem), 2)
    placed, samples = {"trim_db": trim}, source * db_to_ratio(trim)
    for k, (kind, level) in enumerate(zip(kinds, references, strict=True), start=1):
        fed_db = round(level - averages(audio.with_samples(samples)).active_dbfs, 2) if k > 1 else 0.0
        out = stage(kind, level).process(audio.with_samples(samples * db_to_ratio(fed_db))).samples
        out_db = 0.0 if match == "none" else round(_level(audio, samples, match) - _level(audio, out, match), 2)
        placed |= {f"insert {k} in_db": fed_db, f"insert {k} out_db": out_db}
        samples = out * db_to_ratio(out_db)
    back_db = _level(audio, source, "energy") - _level(audio, samples, "energy")
    return {NAME: {**placed, "post_trim_db": round(back_db, 2) if post else 0.0}}


def _level(audio, samples, meter):
    read = averages(audio.with_samples(samples))
    levels = {"energy": read.rms_dbfs, "active": read.active_dbfs, "peak": float(ratio_to_db(read.clear_peak))}
    return levels[meter]


def _fed_well(answer, given):
    return all(abs(into(k)(answer, given) - given["references"][k]) <= WITHIN_DB for k in range(STAGES))


def _matched(answer, given):
    return all(abs(against_bypass(k)(answer, given)) <= MATCH_DB for k in range(STAGES))


def not_matched(answer: dict, given: dict) -> bool:
    """Whether every stage is fed well and no out gain was touched."""
    outs = [answer[NAME][f"insert {k} out_db"] for k in range(1, STAGES + 1)]
    return all(abs(out) <= _NO_MOVE_DB for out in outs) and _fed_well(answer, given) and not _matched(answer, given)


def matched_by(level: str):
    """Return the test whether another level agrees at every bypass, and the energies do not.

    Parameters
    ----------
    level : {"clear_peak_dbfs", "active_dbfs"}
        What agrees.

    Returns
    -------
    callable
        ``spots(answer, given)``.
    """

    def spots(answer, given):
        found = _of(answer, given)
        pairs = [
            (getattr(found[out], level), getattr(found[ahead], level)) for out, ahead in zip(OUT_OF, AHEAD, strict=True)
        ]
        return all(abs(out - ahead) <= MATCH_DB / 2 for out, ahead in pairs) and not _matched(answer, given)

    return spots


def misleads(match: str):
    """Return the test whether matching by "peak" or "active" would miss the match by energy in a variant's chain."""
    return lambda given: not _matched(walked(given, match=match), given)


def no_post_trim(answer: dict, given: dict) -> bool:
    """Whether all is well but for the level that the trim has changed for what follows."""
    untouched = abs(answer[NAME]["post_trim_db"]) <= _NO_MOVE_DB
    rest = untouched and _fed_well(answer, given) and _matched(answer, given)
    return rest and abs(in_all(answer, given)) > MATCH_DB


def nudges(key: dict, given: dict) -> Probes:
    """Return moves within half of a band, and moves beyond."""

    def moved(**by):
        changed = {name.replace("_at_", " "): value for name, value in by.items()}
        return {NAME: {**key[NAME], **{name: round(key[NAME][name] + value, 2) for name, value in changed.items()}}}

    last = f"insert {STAGES} out_db"
    half, two = MATCH_DB / 2, 2 * MATCH_DB
    right = (moved(post_trim_db=half), moved(post_trim_db=-half))
    right += ({NAME: {**moved(post_trim_db=-half)[NAME], last: round(key[NAME][last] + half, 2)}},)
    wrong = (moved(post_trim_db=two), moved(post_trim_db=-two), moved(trim_db=2 * WITHIN_DB, post_trim_db=-2.0))
    wrong += ({NAME: {**moved(post_trim_db=-two)[NAME], last: round(key[NAME][last] + two, 2)}},)
    return Probes(right, wrong)


def derivation(given: dict) -> str:
    """Return the walk from left to right with this variant's numbers, in Markdown."""
    placed = walked(given)[NAME]
    found = _of(walked(given), given)
    opening = "The stem comes with an active level of {active:.1f} dBFS, so the trim is {trim:+.1f} dB. "
    step = (
        "Stage {k} wants {wanted} dBFS: in gain {fed:+.1f} dB. It gives back {ahead:.1f} dBFS RMS, as its bypass "
        "would, with an out gain of {out:+.1f} dB. "
    )
    said = fill(opening, {"active": found[SOURCE].active_dbfs, "trim": placed["trim_db"]})
    for k, (wanted, ahead) in enumerate(zip(given["references"], AHEAD, strict=True), start=1):
        values = {"k": k, "wanted": wanted, "ahead": found[ahead].energy_dbfs}
        values |= {"fed": placed[f"insert {k} in_db"], "out": placed[f"insert {k} out_db"]}
        said += fill(step, values)
    return said + fill(
        "Every stage is matched, so what is left to undo is the trim: post trim {post:+.1f} dB.",
        {"post": placed["post_trim_db"]},
    )
