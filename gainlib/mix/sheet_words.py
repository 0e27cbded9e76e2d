"""Sentences on the sheets: what the mastering engineer should know, where noise comes to stand, how to stay safe."""

from collections.abc import Iterator

from gainlib.audio import AudioFile
from gainlib.levels.printing import quantity
from gainlib.mix.sheet import OVERS, Sheet, bus_rows
from gainlib.mix.strips import active, level_dependent
from gainlib.processors import BlackBox
from gainlib.session import Strip

FLOOR_LIMIT_DBFS = -50.0
SAFETY = (
    "Turn the monitors down before you change a gain, load staged stems or plug anything, then bring them up slowly. "
    "Ringing or dullness afterwards: stop and rest; if it persists, see a doctor or audiologist.",
    "No test tone above −20 dBFS through loudspeakers; amplifiers go on last and off first.",
    "Phantom power: mute first, wait ten seconds, never patch through a jack field. A line output may overload a "
    "microphone input; a loudspeaker output destroys any input. Never lift a protective earth to cure hum.",
    "The makers' manuals, your mastering engineer's or platform's delivery specification, your hearing rules and local "
    "law go before any figure here.",
)


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
            f"{stem.name}: its steady floor of {quantity(stem.noise_dbfs, 'dBFS', 1)} stands at "
            f"{quantity(floor, 'dBFS', 1)} behind the trim{warning}"
        )


def hand_off(each: Sheet) -> Iterator[str]:
    """Yield what the mastering engineer should know, beside the figures of the bus."""
    after, session = each.after, each.plan.session
    kinds = ", ".join(insert.kind for insert in active(session.master.inserts))
    yield f"On the bus: {kinds}." if kinds else "Nothing on the bus: no limiter, no compressor, no equaliser."
    yield (
        "Print to 24 bit or float at the session's rate, without normalising and without a limiter that is not part of "
        "the sound. A true peak of −6 to −3 dBTP is common practice for this (no source); your engineer's own "
        "specification goes before it."
    )
    if after.overs:
        yield f"{after.overs} samples of the bus exceed full scale: print to float, or lower the target."
    changed = [s.strip for s in each.settings if s.reason and s.control.startswith("insert")]
    if each.plan.policy == "restage" and changed:
        yield (
            f"Level-dependent processors now get the level they are built for, so the timbre of "
            f"{_listed(dict.fromkeys(changed))} changes by intent; only their levels are held."
        )
    elif any(level_dependent(strip.inserts) for strip in session.strips):
        yield "Every drive was left as it is; only gains behind the processors and faders moved."
    for tag, said in (("clipped", "Possibly clipped at the source"), ("polarity", "Polarity to be checked by ear")):
        names = [stem.name for stem in each.stems if tag in stem.tags]
        if names:
            yield f"{said}: {_listed(names)}."
    unseen = [s.name for s in session.strips if any(isinstance(i.processor, BlackBox) for i in active(s.inserts))]
    if unseen:
        yield f"Black boxes stand in {_listed(unseen)}. The figures take them as passing everything."


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
