"""The one way sound leaves the workbook.

Rules
-----
- Never normalised and never clipped: the samples reach the browser as 32-bit floats, values beyond ±1 included, and the
  only change is one attenuation that stands on the screen.
- It starts no louder than −30 LUFS and never leaves the workbook above −12 LUFS (no 400 ms of it) or −6 dBTP.
- Nothing plays by itself; only one player sounds at a time.
- A limiter in the browser keeps that, whatever a hand does to a mix (:mod:`gainlib.notebook.mixing`).
- Several sources run on one clock and are switched with a 20 ms crossfade, matched in loudness to 0.1 LU unless the
  difference in level is what the learner should hear; then the screen says so.

The limits are this workbook's own choice, made for safe classrooms. Loudness is measured as ITU-R BS.1770-5 does, a
mono source as the two loudspeakers it will come from.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import traitlets

from gainlib import meters
from gainlib.audio import Audio, GainlibError
from gainlib.meters.loudness import OFFSET_LU, k_coefficients
from gainlib.meters.peak import interpolator
from gainlib.notebook import widgets
from gainlib.words import level_text, number_text

START_LUFS = -30.0
CEILING_LUFS = -12.0
CEILING_DBTP = -6.0
MATCH_LU = 0.1
MOST_GAIN_DB = 24.0
SHORTEST_METERED_S = 0.4  # one block of the loudness meter


@dataclass(frozen=True)
class Heard:
    """What a source would measure at the loudspeakers if it were played as it is.

    Attributes
    ----------
    loudness_lufs : float
        Integrated loudness; the ungated K-weighted level if shorter than 0.4 s; −inf for silence.
    loudest_lufs : float
        Loudest 400 ms.
    true_peak_dbtp : float
        Worst channel.
    """

    loudness_lufs: float
    loudest_lufs: float
    true_peak_dbtp: float


@dataclass(frozen=True)
class Gains:
    """What the player does to the level of its sources, in dB.

    Attributes
    ----------
    match_db : tuple of float
        One a source, never positive: what makes all as loud as the softest.
    start_db : float
        Applied to everything at the start, never positive.
    ceiling_db : float
        The most that may be applied to everything.
    loudest_lufs, true_peak_dbtp : float
        Loudness of the loudest source and highest true peak after matching, before ``start_db``.
    """

    match_db: tuple[float, ...]
    start_db: float
    ceiling_db: float
    loudest_lufs: float
    true_peak_dbtp: float


def heard(audio: Audio) -> Heard:
    """Measure `audio` as it comes out of two loudspeakers; mono comes out of both."""
    pair = audio if audio.channels == 2 else audio.with_samples(np.repeat(audio.samples, 2, axis=1))
    peak = meters.true_peak_dbtp(pair)
    if audio.duration_s < SHORTEST_METERED_S:
        power = np.mean(meters.k_weighted(pair.samples, pair.rate_hz) ** 2, axis=0).sum()
        loudness = -0.691 + 10 * math.log10(power) if power > 0 else -math.inf
        return Heard(loudness, loudness, peak)
    loudness = meters.integrated_lufs(pair)
    return Heard(loudness, float(np.max(meters.momentary(pair).value)), peak)


def gains(sources: tuple[Heard, ...], match: bool = True, ceiling_dbtp: float = CEILING_DBTP) -> Gains:
    """Work out how much to turn down.

    Parameters
    ----------
    sources : tuple of Heard
        What is to be played.
    match : bool
        Whether all are made as loud as the softest that is not silent.
    ceiling_dbtp : float
        Highest true peak that may leave the workbook.

    Examples
    --------
    >>> found = gains((Heard(-20.0, -15.0, -3.0), Heard(-14.0, -10.0, 1.0)))
    >>> found.match_db, found.start_db, found.ceiling_db
    ((0.0, -6.0), -10.0, -3.0)
    """
    sounding = [s.loudness_lufs for s in sources if s.loudness_lufs > -math.inf]
    softest = min(sounding, default=0.0)
    match_db = tuple(
        round(softest - s.loudness_lufs, 2) + 0.0 if match and s.loudness_lufs > -math.inf else 0.0 for s in sources
    )
    after = [
        Heard(s.loudness_lufs + g, s.loudest_lufs + g, s.true_peak_dbtp + g)
        for s, g in zip(sources, match_db, strict=True)
    ]
    loudest = max(s.loudness_lufs for s in after)
    peak = max(s.true_peak_dbtp for s in after)
    room = [CEILING_LUFS - s.loudest_lufs for s in after] + [ceiling_dbtp - s.true_peak_dbtp for s in after]
    ceiling = _down_to_tenth(min(*room, MOST_GAIN_DB))
    start = _down_to_tenth(min(0.0, START_LUFS - loudest, ceiling)) if sounding else min(0.0, ceiling)
    return Gains(match_db, start, ceiling, loudest, peak)


def _down_to_tenth(db):
    return math.floor(round(db * 10, 6)) / 10  # rounding up would break the limit


@lru_cache(maxsize=8)
def guard_of(rate_hz: int, ceiling_dbtp: float = CEILING_DBTP) -> dict:
    """Return what the last limiter in the browser needs at a sample rate."""
    return {
        "weighting": k_coefficients(rate_hz).tolist(),
        "taps": interpolator(rate_hz).taps.tolist(),
        "power": 10.0 ** ((CEILING_LUFS - OFFSET_LU) / 10.0),
        "ceiling": 10.0 ** (ceiling_dbtp / 20.0),
    }


CROSSFADE_S = 0.020
QUIETEST_DB = -60.0
RATES_HZ = (8000, 96000)  # what every browser with Web Audio must be able to play

CARE = (
    "Start low. The workbook starts at −30 LUFS or below and limits its own output; your amplifier has no such limit.",
    "Turn down before you plug in headphones, before you play a test tone, and before a gain exercise.",
    "Sustained tones and clipped signals can destroy tweeters: play no test tone above −20 dBFS through loudspeakers.",
    "If your ears ring or feel dull afterwards, stop and rest. If it persists, see a doctor or an audiologist.",
    "Local rules and the manuals of your amplifier, loudspeakers and headphones come first.",
)
SILENCE_HELP = (
    "Press Play: browsers make no sound before the first click.",
    "Look at “leaving the workbook now” below. If it shows a level, the sound is lost after the browser: is the tab or "
    "the computer muted, and have you chosen the right output?",
    "Playback starts quietly on purpose. Raise the playback level here first and the amplifier last.",
    "If it says “silent”, the source itself is silent there; try another position or another source.",
    "If you plugged in headphones after opening the page, you may have to load the page again.",
)


class Player(widgets.Scripted):
    """Play one source, or switch between several on one clock.

    Parameters
    ----------
    sources : Audio or mapping of str to Audio
        Mono or stereo, all of one rate; the names stand on the buttons. Shorter ones are padded with silence.
    match : bool
        Whether the sources are matched in loudness. Pass False only where the difference in level is the lesson: the
        screen then says that they are not matched.
    note : str
        One sentence on what to listen for.
    blind : bool
        Hide what the single sources are turned down by, for listening tests in which it would give the answer away;
        a source that is replaced is silent until the new one has arrived.
    ceiling_dbtp : float
        Highest true peak that may leave the workbook, −6 dBTP or lower; for a test tone −20.
    room_db : float
        How far the learner may turn up a single source with ``trims_db``; the ceiling leaves room for it.

    Attributes
    ----------
    which : int
        Position of the source that sounds.
    trims_db : list of float
        What single sources are turned up by on top of everything else, heard at once; empty leaves them.
    volume_db : float
        What everything is turned down by (negative) or up (positive); starts no louder than −30 LUFS.
    playing : bool
        Whether it sounds now.

    Raises
    ------
    GainlibError
        For no source, more than two channels, different rates or a rate no browser plays.

    Examples
    --------
    >>> from gainlib.signals import tone
    >>> loud = tone(997, -10, 1.0)
    >>> player = Player({"before": loud, "after": loud.with_samples(loud.samples / 2)})
    >>> player.gains.match_db
    (-6.02, 0.0)
    """

    FILES = ("desk.js", "meters.js", "mix.js", "sounds.js", "meterrows.js", "player.js")
    names = traitlets.List(traitlets.Unicode()).tag(sync=True)
    stamps = traitlets.List(traitlets.Int()).tag(sync=True)
    rate_hz = traitlets.Int(48000).tag(sync=True)
    levels = traitlets.Dict().tag(sync=True)
    match_text = traitlets.Unicode("").tag(sync=True)
    note = traitlets.Unicode("").tag(sync=True)
    care = traitlets.List(traitlets.Unicode(), list(CARE)).tag(sync=True)
    silence_help = traitlets.List(traitlets.Unicode(), list(SILENCE_HELP)).tag(sync=True)
    crossfade_s = traitlets.Float(CROSSFADE_S).tag(sync=True)
    which = traitlets.Int(0).tag(sync=True)
    blind = traitlets.Bool(False).tag(sync=True)
    looping = traitlets.Bool(True).tag(sync=True)
    playing = traitlets.Bool(False).tag(sync=True)
    trims_db = traitlets.List(traitlets.Float()).tag(sync=True)
    volume_db = traitlets.Float(0.0).tag(sync=True)
    channels = traitlets.List().tag(sync=True)  # of a mix; see gainlib.notebook.mixing
    guard = traitlets.Dict().tag(sync=True)
    from_s = traitlets.Float(0.0).tag(sync=True)  # where in the song the sources begin, for a line over its pictures

    def __init__(
        self,
        sources: Audio | Mapping[str, Audio],
        *,
        match: bool = True,
        note: str = "",
        blind: bool = False,
        ceiling_dbtp: float = CEILING_DBTP,
        room_db: float = 0.0,
    ):
        if isinstance(sources, Audio):
            sources = {sources.name or "sound": sources}
        if not (ceiling_dbtp <= CEILING_DBTP and room_db >= 0):
            raise GainlibError(
                f"a ceiling of {ceiling_dbtp} dBTP and a room of {room_db} dB; give at most {CEILING_DBTP} dBTP and "
                "at least 0 dB"
            )
        self._begin(match, note, ceiling_dbtp, float(room_db), blind)
        self._take(dict(sources))
        self.volume_db = self.gains.start_db

    def _begin(self, match, note, ceiling_dbtp, room_db, blind=False):
        self.match = bool(match)
        self._ceiling_dbtp, self._room_db = ceiling_dbtp, room_db
        self._sources, self._heard, self._stamp = {}, {}, 0
        widgets.Scripted.__init__(self, note=note, blind=bool(blind))
        self.on_msg(self._asked)

    def update(self, sources: Mapping[str, Audio]) -> None:
        """Replace some of the sources; what is playing goes on at the same position with the new sound.

        Matched sources stay as loud as they were, and the screen says what they are now turned down by.

        Parameters
        ----------
        sources : mapping of str to Audio
            Names the player already has.
        """
        unknown = sorted(set(sources) - set(self._sources))
        if unknown:
            raise GainlibError(f"the player has no source {unknown[0]!r}; it has {', '.join(self._sources)}")
        self._take({**self._sources, **sources})

    def _take(self, sources):
        _check(sources)
        before = self.gains if self._sources else None
        stamps = []
        for k, (name, audio) in enumerate(sources.items()):
            if self._sources.get(name) is audio:
                stamps.append(self.stamps[k])
                continue
            self._heard[name] = heard(audio)
            self._stamp += 1
            stamps.append(self._stamp)
        self._sources = sources
        self.gains = self._worked_out(tuple(self._heard[name] for name in sources))
        with self.hold_sync():
            self.names, self.rate_hz = list(sources), next(iter(sources.values())).rate_hz
            self.guard = guard_of(self.rate_hz, self._ceiling_dbtp)
            self._say(before)
            self.stamps = stamps

    def _say(self, before):
        """Tell the browser the levels that were worked out; `before` are those until now, None at first."""
        found = self.gains
        self.levels = {
            "match_db": list(found.match_db),
            "ceiling_db": found.ceiling_db,
            "quietest_db": min(QUIETEST_DB, found.ceiling_db),
            "loudest_lufs": _finite(found.loudest_lufs),
            "true_peak_dbtp": _finite(found.true_peak_dbtp),
        }
        self.match_text = self._match_text()
        self.volume_db = self._volume_for(before, found)

    def _worked_out(self, sources):
        found = gains(sources, self.match, self._ceiling_dbtp)
        ceiling = round(found.ceiling_db - self._room_db, 1)
        return replace(found, ceiling_db=ceiling, start_db=min(found.start_db, ceiling))

    def _volume_for(self, before, found):
        """Return the volume at which matched sources stay as loud as they were; where level is the lesson, the same."""
        now = self.volume_db
        known = before is not None and math.isfinite(before.loudest_lufs) and math.isfinite(found.loudest_lufs)
        if self.match and known:
            softer = before.loudest_lufs - found.loudest_lufs
            now = min(round(now + softer, 1), max(now, 0.0))  # never turned up unasked
        return min(now, found.ceiling_db)

    def _match_text(self):
        if len(self.names) < 2:
            return ""
        if not self.match:
            return "The levels are not matched here, because the difference in level is the lesson."
        if self.blind:
            return f"All are matched in loudness to within {MATCH_LU} LU."
        turned = [
            f"{name} by {number_text(-gain, 2)} dB"
            for name, gain in zip(self._sources, self.gains.match_db, strict=True)
            if gain < 0
        ]
        how = f"turned down: {', '.join(turned)}" if turned else "none had to be turned down"
        return f"Matched in loudness to within {MATCH_LU} LU ({how})."

    def _asked(self, _widget, content, _buffers):
        """Send the sources the browser has not got; it asks when Play is pressed, so a lab that opens stays light."""
        for stamp in content.get("want", ()):
            if stamp not in self.stamps:
                continue  # replaced meanwhile; the browser will ask for its successor
            audio = list(self._sources.values())[self.stamps.index(stamp)]
            samples = np.ascontiguousarray(audio.samples.T, dtype="<f4")  # channel after channel
            self.send({"stamp": stamp, "channels": audio.channels, "frames": audio.frames}, buffers=[samples.data])

    @traitlets.validate("trims_db")
    def _keep_to_the_room(self, proposal):
        if len(proposal["value"]) not in (0, len(self.names)):
            raise GainlibError(f"{len(proposal['value'])} trims for {len(self.names)} sources; give one a source")
        return [min(value, self._room_db) for value in proposal["value"]]

    @traitlets.validate("volume_db")
    def _limit(self, proposal):
        return min(proposal["value"], self.levels.get("ceiling_db", 0.0))

    def statement(self) -> str:
        """Return what the screen says about the level now."""
        loudness, peak = self.gains.loudest_lufs + self.volume_db, self.gains.true_peak_dbtp + self.volume_db
        way = "turned up" if self.volume_db > 0 else "turned down"
        return (
            f"Everything is {way} by {number_text(abs(self.volume_db))} dB: it leaves the workbook at "
            f"{level_text(loudness, 'LUFS')}, true peak {level_text(peak, 'dBTP')}."
        )


def _finite(value):
    return value if math.isfinite(value) else None  # JSON has no infinity


def _check(sources):
    if not sources:
        raise GainlibError("a player needs at least one source")
    for name, audio in sources.items():
        if not isinstance(audio, Audio):
            raise GainlibError(f"{name}: {type(audio).__name__} cannot be played; give an Audio")
        if audio.channels > 2:
            raise GainlibError(f"{name}: {audio.channels} channels; listening is to one or two")
        if not RATES_HZ[0] <= audio.rate_hz <= RATES_HZ[1]:
            raise GainlibError(f"{name}: {audio.rate_hz} Hz; browsers play {RATES_HZ[0]} to {RATES_HZ[1]} Hz")
    rates = {audio.rate_hz for audio in sources.values()}
    if len(rates) > 1:
        raise GainlibError(f"the sources have rates {sorted(rates)} Hz; one clock needs one rate")
