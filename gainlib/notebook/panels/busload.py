"""The heavy half of the bus panel: what is worked out in a thread, and the words for it. No widget is touched here."""

from dataclasses import dataclass
from functools import lru_cache

from gainlib.audio import Audio
from gainlib.mix import Contributions
from gainlib.mix import contributions as _contributions
from gainlib.mix.stretches import excerpt_around
from gainlib.notebook import figures
from gainlib.processors import HardClip
from gainlib.words import number_text

EDGES_DB = tuple(range(-60, 13, 3))
EXCERPT_S = 8.0
LISTEN_NOTE = (
    "Both pass a converter, which cuts everything over full scale, and are matched in loudness: what is left to hear "
    "is the cut, not the level."
)


@dataclass(frozen=True, eq=False)
class Load:
    """What was worked out for one setting of the controls.

    Attributes
    ----------
    session, start : Session
        The setting, and what was found.
    contributions : Contributions
        Worst peaks and leave-one-out of the sum; of a fixed bus ahead of the master.
    reading : Reading or None
        What the meters read behind a fixed bus; None for a float one.
    duration_s : float
        Length of the bus.
    envelope : tuple of arrays, or None
        Lowest and highest sample of each column.
    over_samples : int
        Samples over full scale; of a fixed bus those it has cut.
    percent : array or None
        Share of the samples at each level.
    excerpt, excerpt_before : Audio or None
        What is heard: now, and of the session as it was found.
    where : str
        Which stretch is heard.
    """

    session: object
    start: object
    contributions: Contributions
    reading: object
    duration_s: float
    envelope: tuple | None
    over_samples: int
    percent: object
    excerpt: Audio | None
    excerpt_before: Audio | None
    where: str


contributions = lru_cache(maxsize=8)(_contributions)  # back at an earlier setting, nothing is worked out twice


def shadow_of(session):
    """Return the session whose sum shows what a bus has to carry: float, and for a fixed bus ahead of the master."""
    if session.bus == "float":
        return session
    return session.with_(bus="float").with_("bus", fader_db=0.0)


def examine(session, start, progress, sound: bool = True, whole: bool = True, remeter=None) -> Load:
    """Work out everything that is shown when the hand has let go.

    Parameters
    ----------
    session : Session
        As the controls stand.
    start : Session
        As it was found.
    progress : callable
        ``progress(done, text)``.
    sound, whole : bool
        Whether the excerpts, and the bus from end to end, are wanted.
    remeter : Remeter, optional
        Of the same session; spares a pass.
    """
    progress(0.1, "Looking for the worst peaks …")
    found = contributions(shadow_of(session), remeter=remeter)
    progress(0.6, "Rendering the bus …")
    trace = session.render()
    reading = trace.reading("bus") if session.bus == "fixed" else None
    envelope = percent = None
    if whole:
        bus = trace.bus
        envelope, percent = figures.envelope_of(bus.samples), figures.level_counts(bus.samples, EDGES_DB)
    now = before = None
    where = ""
    if sound and found.peaks:
        progress(0.8, "Preparing what you can hear …")
        centre_s = contributions(shadow_of(start), remeter=remeter).peaks[0].time_s
        now = _through_converter(excerpt_around(trace.bus, centre_s, EXCERPT_S))
        before = _found_sound(start, centre_s)
        where = f"{number_text(EXCERPT_S, 0)} s around the worst peak of the session as it was found."
    return Load(
        session=session,
        start=start,
        contributions=found,
        reading=reading,
        duration_s=trace.frames / trace.rate_hz,
        envelope=envelope,
        over_samples=found.bus.over_samples,
        percent=percent,
        excerpt=now,
        excerpt_before=before,
        where=where,
    )


@lru_cache(maxsize=4)
def _found_sound(start, centre_s):
    return _through_converter(excerpt_around(start.render().bus, centre_s, EXCERPT_S))


def _through_converter(audio):
    return HardClip(0.0).process(audio)


def short_name(name: str) -> str:
    """Return a strip's name without its track number, for the cramped places of a picture.

    Examples
    --------
    >>> short_name("03 overheads"), short_name("bass")
    ('overheads', 'bass')
    """
    number, _, rest = name.partition(" ")
    return rest if number.isdigit() and rest else name


def picture_limit(found: Contributions) -> float:
    """Return the height of the upright axis that holds the worst peak with room above it."""
    worst = max((abs(peak.value) for peak in found.peaks), default=1.0)
    return max(2.4, 1.2 * worst)


def without_table(found: Contributions):
    """Return the table of the bus without each strip."""
    return figures.leave_one_out_table(tuple(found.bus), {name: tuple(each) for name, each in found.without.items()})


def summary(load: Load) -> str:
    """Return what the setting amounts to, in Markdown."""
    peak = number_text(load.contributions.bus.sample_peak_dbfs, sign=True)
    count = f"{load.over_samples:,}"
    if load.session.bus == "fixed":
        if not load.over_samples:
            return "The fixed-point bus has cut nothing: its sum stays under full scale."
        return (
            f"The fixed-point bus has cut **{count} samples**: its sum wanted to go to "
            f"{peak} dBFS. No fader behind it brings them back."
        )
    if not load.over_samples:
        return "No sample leaves the bus over full scale."
    return (
        f"**{count} samples** leave the bus over full scale, up to {peak} dBFS. "
        "A floating-point bus carries them; the first converter or fixed-point file cuts them off."
    )
