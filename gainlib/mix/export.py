"""Staged stems: every stem written anew with the gain a plan gives it, beside originals that nobody touches.

Two kinds:

- up to the trim: the source with polarity, DC block and trim, as it meets the first processor. It goes into the mixer
  in place of the raw stem, and the trim there stays at 0;
- up to the bus: with everything it passes on its way, fader and pan included. Together the files are the mix: their sum
  is the bus, as long as the master is linear. A group that is linear is opened: what each of its strips brings passes
  it alone. A group that depends on level, one whose sum may clip, and a return, which takes from many, are not taken
  apart; they bring their own sum.

A folder appears whole or not at all. Words are shortened with triangular dither (Lipshitz, Wannamaker and Vanderkooy,
JAES 40(5), 1992), and a stem on which nothing was set is kept bit by bit.
"""

import math
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gainlib.audio import AudioFile, GainlibError, write
from gainlib.audio.atomic import digest_of
from gainlib.audio.types import Blocks
from gainlib.levels import ratio_to_db
from gainlib.mix.inserts import boxes_in, level_dependent, with_ways
from gainlib.mix.moves import Plan, Progress
from gainlib.mix.paths import file_name, filling
from gainlib.processors.controls import plain_name
from gainlib.session import Session
from gainlib.session.routing import heard
from gainlib.session.strip import BUS
from gainlib.words import quantity

_SHORT = ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "ALAC_16", "ALAC_20", "ALAC_24")

THROUGH = ("trim", "bus")
SUBTYPES = {"PCM_16": "16 bit", "PCM_24": "24 bit", "FLOAT": "32-bit float"}
NULL_DB = -90.0
SUMS = "SHA256SUMS"
ABOUT = "ABOUT.txt"


@dataclass(frozen=True)
class Part:
    """What goes into one file: a node of a session that was cut down to it.

    Attributes
    ----------
    strip : str
        The strip or group it belongs to.
    session : Session
    node : str
    frames, channels : int
    exact : bool
        Whether it is what a file of 24 bit or less holds, untouched.
    """

    strip: str
    session: Session
    node: str
    frames: int
    channels: int
    exact: bool = False


def to_trim(session: Session, gain_only: bool = False) -> Iterator[Part]:
    """Yield every strip up to its trim, at its own length; `gain_only` leaves its DC block out."""
    for strip in session.strips:
        bare = strip.with_(mute=False, solo=False, inserts=(), sends=(), to=())
        bare = bare.with_(dc_block=False) if gain_only else bare
        plain = bare.polarity == 1 and not bare.dc_block and bare.trim_db == 0.0
        exact = plain and isinstance(strip.audio, AudioFile) and strip.audio.subtype in _SHORT
        yield Part(strip.name, Session((bare,)), f"{strip.name}/trim", strip.audio.frames, strip.channels, exact)


def to_bus(session: Session) -> Iterator[Part]:
    """Yield what each strip, and each group that cannot be taken apart, brings to the bus, at the session's length."""
    opened = _opened(session)
    for channel in (*session.strips, *session.groups):
        ahead = _ahead(session, channel.name, opened)
        if BUS in ahead and channel.name not in opened:
            alone = _alone(session, channel.name, ahead)
            yield Part(channel.name, alone, end_of_way(session), session.frames, 2)


def end_of_way(session: Session) -> str:
    """Return the node where what all bring is summed: the bus, or the sum ahead of a master that depends on level."""
    return f"{BUS}/in" if level_dependent(session.master.inserts) else BUS


def _ahead(session, name, opened) -> frozenset[str]:
    """Return the sums that a signal comes to by way of opened groups alone: these, and the bus if it gets there."""
    _, edges = heard(session)
    found, new = set(), {name}
    while new:
        new = {edge.to for edge in edges if edge.source in new and edge.to in opened | {BUS}} - found
        found |= new
    return frozenset(found)


def _alone(session, name, ahead):
    """Take all ways into what lies ahead from all but one strip or group, so that nothing but its signal gets there.

    What lies ahead keeps no other ways, so that the signal gets there once.
    """

    def cut(channel):
        if channel.name == name:
            return channel
        return with_ways(channel, lambda to: (to in ahead) == (channel.name in ahead))

    return session.each(cut)


def _opened(session) -> frozenset[str]:
    """Return the groups that a sum of strips passes as each of them alone would."""
    if session.bus == "fixed":
        return frozenset()
    taking = {send.to for channel in (*session.strips, *session.groups) for send in channel.sends}
    return frozenset(
        group.name for group in session.groups if group.name not in taking and not level_dependent(group.inserts)
    )


# ---- the files -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class StagedFile:
    """A stem as it was written.

    Attributes
    ----------
    name : str
        Of the file.
    strip : str
        The strip or group whose signal it holds.
    peak_dbfs : float
        Highest sample.
    dithered : bool
        Whether dither was added; without it the samples are those of the original, or float.
    sha256 : str
    """

    name: str
    strip: str
    peak_dbfs: float
    dithered: bool
    sha256: str


@dataclass(frozen=True)
class Export:
    """A folder of staged stems.

    Attributes
    ----------
    folder : pathlib.Path
    files : tuple of StagedFile
    through : str
        "trim" or "bus".
    subtype : str
        One of `SUBTYPES`.
    null_db : float or None
        How far the sum of the files, read back, is off what they were taken from, against the latter. None up to the
        trim.
    notes : tuple of str
        What whoever uses them should know.
    originals : int
        How many source files were found unchanged afterwards.
    """

    folder: Path
    files: tuple[StagedFile, ...]
    through: str
    subtype: str
    null_db: float | None
    notes: tuple[str, ...]
    originals: int


def write_stems(
    plan: Plan,
    folder: str | os.PathLike,
    *,
    through: str = "trim",
    subtype: str = "PCM_24",
    gain_only: bool = False,
    progress: Progress | None = None,
) -> Export:
    """Write the stems of a planned session into a new folder.

    Parameters
    ----------
    plan : Plan
        Verified; one that is not is refused.
    folder : str or path
        Must not exist yet, or be empty.
    through : {"trim", "bus"}
        How much of the way is in the files.
    subtype : {"PCM_24", "PCM_16", "FLOAT"}
        WAV of 24 or 16 bit, or 32-bit float.
    gain_only : bool
        Leave the DC block out of stems up to the trim.
    progress : callable, optional
        Called with a label, the seconds of sound done and those in all.

    Returns
    -------
    export : Export

    Raises
    ------
    GainlibError
        For a plan that failed its verification, a stem that would clip, a folder that holds something, an original that
        was changed meanwhile. Nothing is left behind then.
    """
    if not plan.verification.passed:
        missed = "; ".join(map(str, plan.verification.missed))
        raise GainlibError(f"the plan could not be verified, so nothing is exported ({missed})")
    for value, known, label in ((through, THROUGH, "through"), (subtype, SUBTYPES, "subtype")):
        if value not in known:
            raise GainlibError(f"{label} is {value!r}; it is {' or '.join(map(repr, known))}")
    if gain_only and through == "bus":
        raise GainlibError("up to the bus, the files include everything; gain only goes with through='trim'")
    sources = (strip.audio for strip in plan.session.strips)
    originals = {source.path: source.sha256 for source in sources if isinstance(source, AudioFile)}
    parts = list(to_trim(plan.session, gain_only) if through == "trim" else to_bus(plan.session))
    if not parts:
        raise GainlibError("nothing arrives at the bus, so there is nothing to write; unmute a strip")
    read_again = plan.session.frames if through == "bus" else 0
    add = _counting((sum(part.frames for part in parts) + read_again) / plan.session.rate_hz, progress)
    with filling(folder) as (part_folder, target):
        files = _written(parts, part_folder, subtype, add)
        null_db = _null(plan.session, part_folder, files, add) if through == "bus" else None
        _check_originals(originals)
        notes = tuple(_notes(plan.session, through, gain_only, null_db))
        export = Export(target, files, through, subtype, null_db, notes, len(originals))
        sums = "".join(f"{file.sha256}  {file.name}\n" for file in files)
        (part_folder / SUMS).write_text(sums, encoding="utf-8", newline="\n")
        (part_folder / ABOUT).write_text(about(export, plan.session), encoding="utf-8")
    return export


def about(export: Export, session: Session) -> str:
    """Return what the folder says of itself."""
    kind = f"WAV, {SUBTYPES[export.subtype]}, {session.rate_hz} Hz"
    lines = [f"Staged stems{f' of {session.name}' if session.name else ''}: {kind}.", ""]
    lines += [f"{file.name}: {file.strip}, peak {quantity(file.peak_dbfs, 'dBFS', 1)}" for file in export.files]
    lines += ["", *export.notes, "", f"{SUMS} lists the checksum of every file."]
    return "\n".join(lines) + "\n"


def _counting(total_s, progress):
    """Return what adds seconds of sound that are done, and tells how far that is."""
    total, done = math.ceil(total_s), 0.0
    told = progress or (lambda *_: None)

    def add(seconds):
        nonlocal done
        done += seconds
        told("stems", min(round(done), total), total)

    add(0.0)
    return add


def _rendered(part, words, add, peaks):
    """Return a part as a source that can be written; `peaks` gets that of each block; what would clip is stopped."""
    rate_hz = part.session.rate_hz

    def highest(block):
        return float(np.abs(block).max(initial=0.0))

    def made(*_):
        pieces = part.session.render().blocks(part.node)
        for block in pieces:
            peaks.append(highest(block))
            if words and peaks[-1] > 1.0:
                peak = quantity(ratio_to_db(max(peaks[-1], *map(highest, pieces), 0.0)), "dBFS", 1, signed=True)
                raise GainlibError(
                    f"{part.strip}: its staged stem peaks at {peak}, which {words} cannot hold; write 32-bit float, or "
                    "leave it out or lower it; nothing was written"
                )
            yield block
            add(len(block) / rate_hz)

    return Blocks(made, rate_hz, part.channels, part.frames, part.strip)


def _written(parts, folder, subtype, add) -> tuple[StagedFile, ...]:
    files, taken = [], {SUMS.casefold(), ABOUT.casefold()}
    for part in parts:
        bare = part.strip[:-4] if part.strip.casefold().endswith(".wav") else part.strip
        name = file_name(bare, ".wav", taken)
        peaks: list[float] = []
        source = _rendered(part, "" if subtype == "FLOAT" else SUBTYPES[subtype], add, peaks)
        dither = "tpdf" if subtype != "FLOAT" and not part.exact else None
        write(folder / name, source, subtype, dither=dither)
        digest = digest_of(folder / name)
        files.append(StagedFile(name, part.strip, ratio_to_db(max(peaks)), dither is not None, digest))
    return tuple(files)


def _null(session, folder, files, add) -> float:
    """Return the residual of the files' sum, read back, against what they were taken from, in dB."""
    node = end_of_way(session)
    size, rest, whole = 16384, 0.0, 0.0
    readers = [AudioFile(folder / file.name).blocks(size) for file in files]
    for wanted, *pieces in zip(session.render().blocks(node, size), *readers, strict=True):
        rest += float(np.sum((sum(piece.astype(np.float64) for piece in pieces) - wanted) ** 2))
        whole += float(np.sum(wanted**2))
        add(len(wanted) / session.rate_hz)
    return 0.5 * ratio_to_db(rest / whole) if whole else -math.inf


def _check_originals(digests):
    for path, digest in digests.items():
        if digest_of(path) != digest:
            raise GainlibError(
                f"{path}: the original was changed while stems were written; nothing was kept, try again"
            )


def _notes(session, through, gain_only, null_db):
    if through == "trim":
        yield (
            "Turn your monitors down first: on the same faders, these stems can be much louder than the raw ones. Up "
            "to the trim: the files include polarity, DC block and trim of the plan. Load each in place of its raw "
            "stem, with the trim of its strip at 0 and its polarity switch and DC block off; the rest is on the plan "
            "sheet."
        )
        if gain_only and any(strip.dc_block for strip in session.strips):
            off = ", ".join(strip.name for strip in session.strips if strip.dc_block)
            yield f"Gain only: the files {off} do not include the DC block of the plan; set it in the mixer."
        return
    yield (
        "Turn your monitors down first: these stems can be much louder than the raw ones. Up to the bus: the files "
        "include processors, output trims, faders, pans and groups. Load them as stereo with every control at 0 dB and "
        "nothing panned; their sum is the mix. Returns, and groups that depend on level, are "
        "files of their own."
    )
    boxes = level_dependent(session.master.inserts)
    if boxes:
        kinds = ", ".join(plain_name(insert.kind) for insert in boxes)
        yield f"The master holds {kinds}, which depends on level: the sum of the files is what enters the master."
    whole = "what enters the master" if boxes else "the bus"
    yield f"Read back and summed, they null against {whole} to {quantity(null_db, 'dB', 1)}."
    if null_db > NULL_DB:
        why = "a sum clips on the way, the bus is very low, or 16 bits are too few"
        yield f"That is not the {quantity(NULL_DB, 'dB')} aimed at: {why}."
    boxed = [strip.name for strip in session.strips if boxes_in(strip.inserts)]
    if boxed:
        yield (
            f"The files do not include the sound of the black boxes of {', '.join(boxed)}: of a measured one they hold "
            "the change of level, of any other nothing."
        )
