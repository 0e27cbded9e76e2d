"""What is taken away from a plan: the levels as found, a line a strip of what to set, the bus before and after.

A :class:`Sheet` holds it all as plain data, and its sentences stand here too: what the mastering engineer should know,
where noise comes to stand, how to stay safe. ``sheet_files`` writes it down. No sheet names a place on the machine.
"""

import math
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Event

import numpy as np

from gainlib.audio import AudioFile, GainlibError
from gainlib.audio.types import Blocks
from gainlib.mix.console import ConsoleRow, console_rows
from gainlib.mix.findings import Finding, Stem, checkup
from gainlib.mix.inserts import active, level_dependent, settled, what_is_known
from gainlib.mix.moves import Plan
from gainlib.processors.controls import plain_name
from gainlib.session import Session, Strip
from gainlib.session.strip import BUS
from gainlib.words import quantity

OVERS = "over full scale"

FLOOR_LIMIT_DBFS = -50.0
SAFETY = (
    "Turn the monitors down before you change a gain, load staged stems or plug anything, then bring them up slowly. "
    "If your ears ring or feel dull afterwards, stop and rest; if it persists, see a doctor or an audiologist.",
    "Play no test tone above −20 dBFS through loudspeakers; switch amplifiers on last and off first.",
    "Phantom power: mute first, wait ten seconds, never patch through a jack field. A line output may overload a "
    "microphone input; a loudspeaker output destroys any input. Never lift a protective earth to cure hum.",
    "The makers' manuals, your mastering engineer's or platform's delivery specification, your hearing rules and local "
    "law come before any figure here.",
)


@dataclass(frozen=True)
class Bus:
    """The bus as measured.

    Attributes
    ----------
    stem : Stem
        Its readings, as of any stem.
    overs : int
        Samples beyond full scale, both channels counted.
    """

    stem: Stem
    overs: int

    @property
    def plr_db(self) -> float | None:
        """Peak-to-loudness ratio: true peak less programme loudness."""
        reading = self.stem.reading
        if reading.loudness_lufs is None or not math.isfinite(reading.loudness_lufs):
            return None
        return reading.true_peak_dbtp - reading.loudness_lufs


@dataclass(frozen=True)
class Sheet:
    """All that is taken away.

    Attributes
    ----------
    found : Session
        As the user left it.
    plan : Plan
    target_dbtp : float
        What the bus was planned for.
    stems : tuple of Stem
        Levels of the sources as found.
    rows : tuple of ConsoleRow
        What to set: a line for each strip, group and the master.
    before, after : Bus
    notes : tuple of str
        What came up on the way: files that could not be read, stems without a chain.
    made : str
        A date, or nothing.
    """

    found: Session
    plan: Plan
    target_dbtp: float
    stems: tuple[Stem, ...]
    rows: tuple[ConsoleRow, ...]
    before: Bus
    after: Bus
    notes: tuple[str, ...] = ()
    made: str = ""

    @property
    def title(self) -> str:
        """Name of the session, or a word for it."""
        return self.found.name or "session"


def sheet_of(
    found: Session,
    plan: Plan,
    target_dbtp: float = -6.0,
    *,
    stems: tuple[Stem, ...] | None = None,
    notes: tuple[str, ...] = (),
    made: str = "",
    progress=None,
) -> Sheet:
    """Gather what is taken away from a plan.

    Parameters
    ----------
    found : Session
        As the user left it.
    plan : Plan
        Made of it.
    target_dbtp : float
        What the bus was planned for.
    stems : tuple of Stem, optional
        From :func:`~gainlib.mix.findings.checkup`; measured now if they are not given.
    notes : tuple of str
    made : str
        A date to print.
    progress : callable, optional
        Called with a label, the steps done and the steps in all.

    Returns
    -------
    sheet : Sheet
    """
    told, looked = progress or (lambda *_: None), len(found.strips) if stems is None else 0
    if stems is None:
        stems = checkup(found.strips, lambda label, done, _: told(label, done, looked + 2))
    told("bus report", looked, looked + 2)
    halt = Event()
    with ThreadPoolExecutor(2) as pool:
        try:
            before, after = pool.map(lambda session: bus_report(session, halt), (settled(found), plan.session))
        except BaseException:  # an interrupt: let the other one come to an end as well
            halt.set()
            raise
    told("bus report", looked + 2, looked + 2)
    return Sheet(found, plan, target_dbtp, tuple(stems), console_rows(plan), before, after, tuple(notes), made)


# ------------------------------------------------------------------------------------------------------------------ bus


def bus_report(session: Session, halt: Event | None = None) -> Bus:
    """Measure the bus of a session; `halt`, once set, breaks it off."""
    overs = []  # one number for each time that the whole is read

    def made(frames, *_):
        over = 0
        for block in session.render().blocks(BUS, frames):
            if halt is not None and halt.is_set():
                raise GainlibError("the bus report was broken off")
            over += int(np.count_nonzero(np.abs(block) > 1.0))
            yield block
        overs.append(over)

    (stem,) = checkup([Strip("mix", Blocks(made, session.rate_hz, 2, session.frames, BUS))])
    return Bus(stem, overs[0])


def bus_rows(before: Bus, after: Bus) -> Iterator[tuple[str, str, float | None, float | None]]:
    """Yield item, unit, before and after of what is told of the bus."""
    one, other = before.stem.reading, after.stem.reading
    yield "true peak", "dBTP", one.true_peak_dbtp, other.true_peak_dbtp
    yield "sample peak", "dBFS", one.sample_peak_dbfs, other.sample_peak_dbfs
    yield "RMS", "dBFS", one.rms_dbfs, other.rms_dbfs
    yield "active level", "dBFS", one.active_dbfs, other.active_dbfs
    yield "loudness", "LUFS", one.loudness_lufs, other.loudness_lufs
    yield "highest short-term loudness", "LUFS", one.short_term_max_lufs, other.short_term_max_lufs
    yield "loudness range", "LU", one.loudness_range_lu, other.loudness_range_lu
    yield "peak-to-loudness ratio", "dB", before.plr_db, after.plr_db
    yield "noise floor", "dBFS", before.stem.noise_dbfs, after.stem.noise_dbfs
    yield "DC offset", "of full scale", one.dc_offset, other.dc_offset
    yield OVERS, "samples", before.overs, after.overs


# ---- sentences on the sheets -----------------------------------------------------------------------------------------


def file_format(strip: Strip) -> str:
    """Return how a strip's source is kept, such as "WAV 24 bit".

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> file_format(Strip("click", Audio(np.zeros(48), 48000)))
    'in memory'
    """
    if not isinstance(strip.audio, AudioFile):
        return "in memory"
    words = {"FLOAT": "32-bit float", "DOUBLE": "64-bit float"}
    kind = strip.audio.subtype
    word = words.get(kind) or (f"{kind.rpartition('_')[2].lstrip('SU')} bit" if kind.startswith("PCM_") else kind)
    return f"{strip.audio.format} {word}"


def noise_notes(each: Sheet) -> Iterator[str]:
    """Yield where the steady floor of a stem comes to stand with the trim of the plan."""
    for stem in each.stems:
        trim_db = each.plan.session.strip(stem.name).trim_db
        if stem.noise_dbfs is None or "silent" in stem.tags:
            continue
        floor = stem.noise_dbfs + trim_db
        warning = "; gate it or record it again" if floor > FLOOR_LIMIT_DBFS else ""
        yield (
            f"{stem.name}: its steady floor of {quantity(stem.noise_dbfs, 'dBFS', 1)} is at "
            f"{quantity(floor, 'dBFS', 1)} behind the trim{warning}"
        )


def hand_off(each: Sheet) -> Iterator[str]:
    """Yield what the mastering engineer should know, beside the figures of the bus."""
    after, session = each.after, each.plan.session
    kinds = ", ".join(plain_name(insert.kind) for insert in active(session.master.inserts))
    yield f"On the bus: {kinds}." if kinds else "There is nothing on the bus: no limiter, no compressor, no equaliser."
    yield (
        "Print to 24 bits or float at the session's rate, without normalising and without a limiter that is not part "
        "of "
        "the sound. A true peak of −6 to −3 dBTP is common practice for this (no source); your engineer's own "
        "specification comes first."
    )
    if after.overs:
        yield f"{after.overs} samples of the bus exceed full scale: print to float, or lower the target."
    changed = [move.strip for move in each.plan.moves if move.control.startswith("insert")]
    if each.plan.policy == "restage" and changed:
        yield (
            f"Level-dependent processors now get the level they are built for, so the timbre of "
            f"{_listed(dict.fromkeys(changed))} changes, as intended; only their levels stay the same."
        )
    elif any(level_dependent(strip.inserts) for strip in session.strips):
        yield "Every drive was left as it is; only gains behind the processors and faders moved."
    for tag, said in (("clipped", "Possibly clipped at the source"), ("polarity", "Check the polarity by ear")):
        names = [stem.name for stem in each.stems if tag in stem.tags]
        if names:
            yield f"{said}: {_listed(names)}."
    yield from (f"{each}." for each in what_is_known(session))


def hand_off_note(each: Sheet) -> str:
    """Return the note for whoever gets the mix: its figures, and what to know, as text."""
    rows = [
        (item, "not measurable" if after is None else quantity(after, unit, {"DC offset": 4, OVERS: 0}.get(item, 1)))
        for item, unit, _, after in bus_rows(each.before, each.after)
    ]
    session = each.plan.session
    rows.insert(0, ("rate and length", f"{session.rate_hz} Hz, {quantity(session.frames / session.rate_hz, 's', 1)}"))
    wide = max(len(item) for item, _ in rows)
    lines = [f"{each.title}: hand-off note{f', {each.made}' if each.made else ''}", ""]
    lines += [f"{item:<{wide}}  {value}" for item, value in rows]
    return "\n".join([*lines, "", *(f"- {sentence}" for sentence in hand_off(each))]) + "\n"


def _listed(names):
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


# ---- what a plan does with what the stems show -----------------------------------------------------------------------


def raised_floors(session: Session, stems: Iterable[Stem]) -> tuple[str, ...]:
    """Return a sentence for each soft recording whose noise a plan's trim brings up to where it may be heard.

    The limit of −50 dBFS is common practice, no source.
    """
    said = []
    for stem in stems:
        strip = next((each for each in session.strips if each.name == stem.name), None)
        if strip is None or stem.noise_dbfs is None or "too low" not in stem.tags:
            continue
        gain_db = _gain_ahead(strip)
        floor = stem.noise_dbfs + gain_db
        if floor > FLOOR_LIMIT_DBFS:
            said.append(
                f"{stem.name}: its floor of {quantity(stem.noise_dbfs, 'dBFS', 1)} comes to "
                f"{quantity(floor, 'dBFS', 1)} with {quantity(gain_db, 'dB', 1, signed=True)} of gain; gate its "
                "pauses, or record it again closer or hotter"
            )
    return tuple(said)


def _gain_ahead(strip):
    """Return the gain up to the first processor that depends on level, or, without one, up to the fader."""
    gain_db = strip.trim_db
    for insert in strip.inserts:
        if insert.bypass:
            continue
        gain_db += insert.in_db
        if not insert.processor.linear:
            return gain_db
        gain_db += insert.out_db
    return gain_db + strip.post_trim_db + strip.fader_db


_ANSWERS = {
    "silent": "leaves it as it is",
    "clipped": "does nothing",
    "noisy": "does nothing",
    "polarity": "keeps the polarity as you set it",
    "mix print": "counts it as one more stem until you leave it out",
    "duplicate": "keeps both until you leave one out",
    "split stereo": "treats them as two stems",
    "length mismatch": "pads the end with silence",
    "dual mono": "treats it as stereo",
    "low activity": "does not count its pauses",
}


def answer(finding: Finding, session: Session) -> str:
    """Return what a plan of this session does with a finding, as the end of a sentence that begins with "the plan".

    "restage" is assumed unless the session is finished.

    Examples
    --------
    >>> from gainlib.processors import Saturation
    >>> from gainlib.session import Strip
    >>> from gainlib.signals import tone
    >>> from gainlib.mix import checkup
    >>> session = Session([Strip("bass", tone(110, -6.0, 1.0))])
    >>> ((hot,),) = [stem.findings for stem in checkup(session.strips)]
    >>> answer(hot, session)
    'moves nothing here: no processor on this strip depends on level'
    >>> answer(hot, session.with_("bass", inserts=[Saturation()]))
    'brings it to −18 dBFS ahead of its first level-dependent processor, and takes that gain back behind it'
    """
    if finding.tag in _ANSWERS:
        return _ANSWERS[finding.tag]
    strip = session.strip(finding.strip)
    if finding.tag == "DC":
        if strip.dc_block:
            return "keeps the DC block that is on"
        return "leaves it and warns of it" if session.finished else "switches the DC block on"
    boxes = level_dependent(strip.inserts)
    if not boxes:
        return "moves nothing here: no processor on this strip depends on level"
    if session.finished:
        return "leaves the drive as it is, since the song is marked as finished"
    if finding.tag == "high crest":
        return "turns it down further where its peaks would enter a level-dependent processor too hot"
    reference = boxes[0].processor.reference_dbfs
    if reference is None:
        return "leaves the drive as it is: its first level-dependent processor has no level that it is built for"
    level = quantity(reference, "dBFS")
    return f"brings it to {level} ahead of its first level-dependent processor, and takes that gain back behind it"
