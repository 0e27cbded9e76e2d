"""What a plan leaves to its reader: one loud source that costs the mix its level, noise that a gain brings up.

Advice only, never applied. Beside it, what a plan does with each thing that the stems show.
"""

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from gainlib.levels.printing import quantity
from gainlib.meters import NodeMeter, NodeReading
from gainlib.mix.findings import Finding, Stem
from gainlib.mix.strips import level_dependent
from gainlib.session import Session
from gainlib.session.strip import BUS

LESS_DB = 6.0
WORTH_DB = 3.0
AUDIBLE_FLOOR_DBFS = -50.0


class Loudest(NamedTuple):
    """The bus at its peak.

    Attributes
    ----------
    level : NodeReading
        Its true peak.
    value : float
        Its highest sample, signed.
    shares : tuple of float
        What each strip has in that, in their order.
    """

    level: NodeReading
    value: float
    shares: tuple[float, ...]


def bus_at_its_peak(session: Session) -> Loudest:
    """Return the peak of a bus and who makes it, from one run; behind the faders all is gain."""
    meter, value, shares = NodeMeter(session.rate_hz, 2, ("true_peak",)), 0.0, (0.0,) * len(session.strips)
    for bus, parts in session.render().parts():
        meter.push(bus)
        frame, side = np.unravel_index(np.argmax(np.abs(bus)), bus.shape)
        if abs(bus[frame, side]) > abs(value):
            value = float(bus[frame, side])
            shares = tuple(0.0 if part is None else float(part[frame, side]) for part in parts)
    return Loudest(meter.result(), value, shares)


def one_loud_source(session: Session, loudest: Loudest) -> tuple[str, ...]:
    """Return a sentence for each strip that, 6 dB lower, would let everything else come up by 3 dB or more."""
    if len(session.strips) < 2 or not loudest.value:
        return ()
    least = (1.0 - 10.0 ** (-WORTH_DB / 20.0)) / (1.0 - 10.0 ** (-LESS_DB / 20.0))
    said = []
    for strip, share in zip(session.strips, loudest.shares, strict=True):
        if share / loudest.value < least or not np.isfinite(strip.fader_db):
            continue  # less than this share of the worst instant cannot lower it by as much
        lower = session.with_(strip.name, fader_db=strip.fader_db - LESS_DB).render().levels([BUS], ("true_peak",))
        gained = loudest.level.true_peak_dbtp - lower[BUS].true_peak_dbtp
        if gained >= WORTH_DB:
            said.append(
                f"{strip.name} alone makes the bus peak: {LESS_DB:g} dB less of it would lower the peak by "
                f"{gained:.1f} dB and leave that much more room for everything else. That changes the balance, so it "
                f"is for you to decide; the plan moves nothing for it."
            )
    return tuple(said)


def raised_floors(session: Session, stems: Iterable[Stem]) -> tuple[str, ...]:
    """Return a sentence for each soft recording whose noise a plan's trim brings up to where it may be heard.

    The limit of −50 dBFS is common practice, no source.

    Parameters
    ----------
    session : Session
        As planned.
    stems : iterable of Stem
        As found; where the noise of one is not known, nothing is said of it.
    """
    said = []
    for stem in stems:
        strip = next((each for each in session.strips if each.name == stem.name), None)
        if strip is None or stem.noise_dbfs is None or "too low" not in stem.tags:
            continue
        gain_db = _gain_ahead(strip)
        floor = stem.noise_dbfs + gain_db
        if floor > AUDIBLE_FLOOR_DBFS:
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

    Parameters
    ----------
    finding : Finding
    session : Session
        With the chains as they stand; "restage" is assumed unless it is finished.

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
