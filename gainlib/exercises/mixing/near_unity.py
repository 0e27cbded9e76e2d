"""Faders far from unity, to be brought near it while nothing that is heard changes: how they are drawn and measured.

Two tracks have a send ahead of the fader, one to a cue and one to an effect: it follows the post trim, and has to be
taken back by as much.
"""

from functools import lru_cache

import numpy as np

from gainlib.audio import GainlibError
from gainlib.exercises.checks import Measured
from gainlib.exercises.controls import RANGES, answer_from, applied, controls_of
from gainlib.exercises.mixing.refrain import STEMS as ALL_STEMS
from gainlib.exercises.mixing.refrain import refrain, rough_faders_db, short_name
from gainlib.exercises.model import Probes
from gainlib.exercises.practical import Control
from gainlib.exercises.text import fill
from gainlib.exercises.variants import grid, pick, shuffled
from gainlib.meters import rms_dbfs
from gainlib.processors import Reverb
from gainlib.session import Group, Send, Session, Strip

LEFT_OUT = ("03 overheads", "04 toms")
STEMS = tuple(stem for stem in ALL_STEMS if stem not in LEFT_OUT)
CUE, EFFECT = "cue", "effect"
UNITY_BAND_DB = 3.0
SAME_DB = 0.05
LEAST_TRIM_DB = RANGES["post_trim_db"][0]
FADERS, TRIMS = grid(-25, 8, 0.5), grid(0, 4, 0.5)
# where the two with a send stand: far enough for the send to matter, near enough for it to be taken back by hand
SENDING = (*grid(-16, -6, 0.5).values, *grid(6, 8, 0.5).values)
CUES, EFFECTS = grid(-22, -10, 0.5), grid(-26, -14, 0.5)
LEAST_FAR = 5
_RENDERED = 16
_RULE = (
    "Post trim + fader is what arrives at the bus, so that sum stays. A send taken ahead of the fader has the trim in "
    "it and not the fader, so its level goes the other way by what the trim moved."
)


def draw(rng: np.random.Generator) -> dict | None:
    """Draw faders and post trims, and which two tracks have a send ahead of the fader; those two stand far off."""
    faders = [pick(rng, FADERS.values) for _ in STEMS]
    trims = [pick(rng, TRIMS.values) for _ in STEMS]
    cue, effect = shuffled(rng, STEMS, 2)
    for stem in (cue, effect):
        faders[STEMS.index(stem)] = pick(rng, SENDING)
    levels = {"cue_db": pick(rng, CUES.values), "effect_db": pick(rng, EFFECTS.values)}
    given = {"faders_db": faders, "trims_db": trims, "cue": cue, "effect": effect, **levels}
    return given if sum(abs(fader) > UNITY_BAND_DB for fader in faders) >= LEAST_FAR else None


@lru_cache(maxsize=_RENDERED)
def _mix(faders, trims, cue, effect, cue_db, effect_db):
    rough = dict(zip(ALL_STEMS, rough_faders_db(), strict=True))
    sends = {cue: (Send(CUE, cue_db, "pre"),), effect: (Send(EFFECT, effect_db, "pre"),)}
    strips = [
        Strip(
            stem,
            refrain(stem),
            trim_db=round(rough[stem] - fader - trim, 1),  # the mix is the rough balance, wherever the faders stand
            post_trim_db=trim,
            fader_db=fader,
            sends=sends.get(stem, ()),
        )
        for stem, fader, trim in zip(STEMS, faders, trims, strict=True)
    ]
    return Session(strips, (Group(CUE, to=()), Group(EFFECT, inserts=(Reverb(dry=False),))), name="Near unity")


def far_mix(given: dict) -> Session:
    """Return the session that is handed out."""
    if given["cue"] not in STEMS or given["effect"] not in STEMS or given["cue"] == given["effect"]:
        raise GainlibError(f"the sends come from {given['cue']!r} and {given['effect']!r}; they are two of the tracks")
    lists = (tuple(given["faders_db"]), tuple(given["trims_db"]))
    return _mix(*lists, given["cue"], given["effect"], given["cue_db"], given["effect_db"])


def controls(given: dict) -> tuple[Control, ...]:
    """Return fader and post trim of all tracks, and the two send levels."""
    names = ["fader_db", "post_trim_db", f"send {CUE} level_db", f"send {EFFECT} level_db"]
    return controls_of(far_mix(given), names, STEMS)


def compact(document: dict, given: dict) -> dict:
    """Return the answer that a whole session in JSON amounts to."""
    return answer_from(document, far_mix(given), controls(given))


# ------------------------------------------------------------------------------------------------------------- measured


@lru_cache(maxsize=_RENDERED)
def levels_dbfs(session: Session) -> dict[str, float]:
    """Render a session and return the RMS level of every track as added to the bus and of every send, by node."""
    nodes = [f"{strip.name}/out" for strip in session.strips]
    nodes += [f"{strip.name}/send {send.to}" for strip in session.strips for send in strip.sends]
    return {node: rms_dbfs(audio) for node, audio in session.render().audios(nodes).items()}


def _widest(answer, given, kind):
    """Return the node of a kind whose level has moved most, and by how much."""
    before, after = levels_dbfs(far_mix(given)), levels_dbfs(applied(far_mix(given), answer))
    moved = {node: abs(after[node] - level) for node, level in before.items() if node.partition("/")[2][:4] == kind}
    return max(moved, key=moved.get), max(moved.values())


def off_unity(answer: dict, given: dict) -> Measured:
    """Return how far the farthest fader stands from unity."""
    off = {stem: abs(answer[stem]["fader_db"]) for stem in STEMS}
    stem = max(off, key=off.get)
    return Measured(off[stem], f"{short_name(stem)} fader, off unity by")


def moved_at_the_bus(answer: dict, given: dict) -> Measured:
    """Return how far the level of a track at the bus has moved at most."""
    node, moved_db = _widest(answer, given, "out")
    return Measured(moved_db, f"level of {short_name(node.partition('/')[0])} at the bus, moved by")


def moved_in_a_send(answer: dict, given: dict) -> Measured:
    """Return how far the level of a send has moved at most."""
    node, moved_db = _widest(answer, given, "send")
    stem, _, send = node.partition("/send ")
    return Measured(moved_db, f"{send} send of {short_name(stem)}, moved by")


# --------------------------------------------------------------------------------------------------- answers and slips


def _as_found(given):
    found: dict = {}
    for control in controls(given):
        found.setdefault(control.target, {})[control.name] = control.start
    return found


def _send_of(fields):
    return next((name for name in fields if name.startswith("send ")), None)


def handed_over(given: dict, stems=STEMS, sends: bool = True, trims: int = 1) -> dict:
    """Return an answer: the faders of some tracks at unity, or as near as the post trim reaches, the rest as found.

    Parameters
    ----------
    given : dict
        The variant.
    stems : tuple of str
        Whose faders move.
    sends : bool
        Whether their sends are taken back.
    trims : {1, 0, −1}
        Whether the post trim takes what the fader gives up, stays, or moves the wrong way.
    """
    answer = _as_found(given)
    for stem in stems:
        fields = answer[stem]
        fader, trim = fields["fader_db"], fields["post_trim_db"]
        new_fader = round(min(0.0, fader + trim - LEAST_TRIM_DB), 3)
        moved = trims * (fader - new_fader)
        moved = round(max(LEAST_TRIM_DB - trim, min(moved, -LEAST_TRIM_DB - trim)), 3)
        fields.update(fader_db=new_fader, post_trim_db=round(trim + moved, 3))
        send = _send_of(fields)
        if send and sends:
            fields[send] = round(fields[send] - moved, 3)
    return answer


def far_stems(given: dict) -> tuple[str, ...]:
    """Return the tracks whose fader has to move."""
    return tuple(stem for stem, fader in zip(STEMS, given["faders_db"], strict=True) if abs(fader) > UNITY_BAND_DB)


def _moves(answer, given):
    """Return what each fader and each post trim was moved by, as pairs; only where the fader moved."""
    found = _as_found(given)
    moves = [tuple(answer[stem][name] - found[stem][name] for name in ("fader_db", "post_trim_db")) for stem in STEMS]
    return [(fader, trim) for fader, trim in moves if abs(fader) > SAME_DB]


def one_fader_moved(answer: dict, given: dict) -> bool:
    """Whether exactly one fader was moved."""
    return len(_moves(answer, given)) == 1


def faders_only(answer: dict, given: dict) -> bool:
    """Whether several faders were moved and no post trim took over."""
    moves = _moves(answer, given)
    return len(moves) > 1 and all(abs(trim) <= SAME_DB for _, trim in moves)


def wrong_way(answer: dict, given: dict) -> bool:
    """Whether a post trim went the way its fader went."""
    moves = _moves(answer, given)
    return len(moves) > 1 and any(fader * trim > 0 and abs(trim) > SAME_DB for fader, trim in moves)


def only_sends_off(answer: dict, given: dict) -> bool:
    """Whether the levels at the bus are kept and a send is not."""
    if len(_moves(answer, given)) < 2 or moved_at_the_bus(answer, given).value > SAME_DB:
        return False
    return moved_in_a_send(answer, given).value > SAME_DB


def nudges(key: dict, given: dict) -> Probes:
    """Return moves within each band, and moves beyond."""
    easy = max(STEMS, key=lambda stem: key[stem]["post_trim_db"] + key[stem]["fader_db"])
    sending = given["cue"]
    send = _send_of(key[sending])

    def changed(stem, **by):
        fields = {**key[stem], **{name: round(key[stem][name] + value, 3) for name, value in by.items()}}
        return {**key, stem: fields}

    right = (
        changed(easy, post_trim_db=SAME_DB / 2),
        changed(easy, post_trim_db=-SAME_DB / 2),
        changed(sending, **{send: SAME_DB / 2}),
        changed(easy, fader_db=1.5, post_trim_db=-1.5, **({_send_of(key[easy]): 1.5} if _send_of(key[easy]) else {})),
    )
    wrong = (
        changed(easy, post_trim_db=2 * SAME_DB),
        changed(easy, fader_db=-2 * SAME_DB),
        changed(sending, **{send: 2 * SAME_DB}),
        changed(easy, fader_db=6.0, post_trim_db=-6.0, **({_send_of(key[easy]): 6.0} if _send_of(key[easy]) else {})),
        _as_found(given),
    )
    return Probes(right, wrong)


def derivation(given: dict) -> str:
    """Return how the controls follow from each other, with this variant's numbers, in Markdown."""
    found, answer = _as_found(given), handed_over(given)
    line = "- {name}: fader {f:.1f} → {nf:.1f} dB, so post trim {t:.1f} + ({f:.1f}) − ({nf:.1f}) = {nt:.1f} dB"
    more = "; the trim moved by {by:+.1f} dB, so the {to} send goes from {s:.1f} to {ns:.1f} dB"
    lines = []
    for stem in far_stems(given):
        old, new, send = found[stem], answer[stem], _send_of(found[stem])
        values = {"name": short_name(stem), "f": old["fader_db"], "nf": new["fader_db"]}
        values |= {"t": old["post_trim_db"], "nt": new["post_trim_db"], "by": new["post_trim_db"] - old["post_trim_db"]}
        if send:
            values |= {"to": send.split()[1], "s": old[send], "ns": new[send]}
        lines.append(fill(line + (more if send else ""), values))
    return f"{_RULE} One of many right settings:\n\n" + "\n".join(lines)
