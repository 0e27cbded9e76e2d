"""Answers to a fader move without rendering: the same readings as measuring the rendered bus, far sooner.

Behind the faders a mix is a weighted sum, as long as nothing there depends on level or time. Then every reading of the
bus follows from what was measured once of its parts: energies from products between the stems
(:mod:`gainlib.session.products`), peaks from the few blocks that can hold them (:mod:`gainlib.session.extremes`).
Where a session is not of that kind, it is rendered and measured, and the reading says so.
"""

import math
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from gainlib.levels import ratio_to_db
from gainlib.meters import gated_loudness, measure
from gainlib.meters.loudness import loudness_of_power
from gainlib.session import routing
from gainlib.session.extremes import FINE_FRAMES, Peak, search
from gainlib.session.lanes import lane_of
from gainlib.session.products import FINE_IN_COARSE, highest_window
from gainlib.session.survey import SIDES
from gainlib.session.surveys import surveyed

_MOMENTARY_HOPS, _SHORT_TERM_HOPS = 4, 30
_ANCHOR_EVERY = 0.5  # a new anchor costs about as much as summing this share of all blocks one by one


@dataclass(frozen=True)
class BusReading:
    """What the meters on the bus show.

    Attributes
    ----------
    sample_peak_dbfs, true_peak_dbtp : float
        The worse channel; −inf for silence.
    rms_dbfs : float
        Sine-referred, each channel's mean taken off, mean of the channels' powers.
    loudness_lufs, momentary_max_lufs, short_term_max_lufs : float or None
        None where the mix is too short: under 0.4 s, 0.4 s and 3 s.
    peak_time_s : float or None
        Where the true peak stands; None for silence and for a rendered reading.
    rendered : str
        Why the mix had to be rendered and measured; empty when it had not.
    """

    sample_peak_dbfs: float
    true_peak_dbtp: float
    rms_dbfs: float
    loudness_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    peak_time_s: float | None = field(default=None, compare=False)
    rendered: str = field(default="", compare=False)

    @classmethod
    def of(cls, reading, rendered: str = "") -> "BusReading":
        """Return the same meters of a :class:`~gainlib.meters.Reading`."""
        names = [name for name in cls.__dataclass_fields__ if hasattr(reading, name)]
        return cls(**{name: getattr(reading, name) for name in names}, rendered=rendered)


class Remeter:
    """Reads the bus meters of a session for other faders, pans, mutes and master trims.

    Parameters
    ----------
    session : Session
        Measured when this is made, in one pass over its sources: a second or two for a short song in memory. Files
        are read in blocks and not kept.
    progress : callable, optional
        Called with a label, the frames done and the frames in all.

    Examples
    --------
    >>> import numpy as np
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Session, Strip
    >>> tone = Audio(np.sin(np.arange(48000) * 0.13), 48000)
    >>> remeter = Remeter(Session([Strip("tone", tone), Strip("same", tone)]))
    >>> quiet = remeter.read({"same": -np.inf}).rms_dbfs
    >>> round(remeter.read().rms_dbfs - quiet, 3)
    6.021
    """

    def __init__(self, session, progress: Callable[[str, int, int], None] | None = None):
        self._session = session
        told = progress or (lambda *_: None)
        self._float = session.with_(bus="float")
        self._frames, self._rate_hz = session.frames, session.rate_hz
        self._recent, self._evaluated = deque(maxlen=8), 0
        paths = routing.bus_paths(self._float)
        if paths.gains is not None:
            lanes = [lane_of(session, strip) for strip in session.strips]
            self._survey = surveyed(lanes, self._frames, self._rate_hz, self._gains(paths), told)

    def read(
        self,
        faders: Mapping[str, float] | None = None,
        *,
        pan: Mapping[str, float] | None = None,
        mute: Iterable[str] = (),
        solo: Iterable[str] = (),
        master_trim_db: float = 0.0,
    ) -> BusReading:
        """Return what the bus meters show after a move; names left out keep the session's value.

        Parameters
        ----------
        faders, pan : mapping of str to float, optional
            New faders in dB and pans, by name of strip or group.
        mute, solo : iterable of str
            Names muted or soloed besides those of the session.
        master_trim_db : float
            On top of the session's master trim.

        Returns
        -------
        reading : BusReading
            Equal to measuring the rendered bus.

        Raises
        ------
        GainlibError
            For a name the session does not hold.
        """
        moves = {"faders": dict(faders or {}), "pan": dict(pan or {}), "mute": tuple(mute)}
        session = self._float
        for name in solo:
            session = session.with_(name, solo=True)
        paths = routing.bus_paths(session, **moves, master_trim_db=session.master.trim_db + master_trim_db)
        reason = paths.reason
        if not reason:
            gains = self._gains(paths)
            peak = self._peak(gains)
            reason = self._clipped(peak)
            if not reason:
                return self._reading(gains, peak, abs(paths.master_gain))
        return self._rendered(moves, solo, master_trim_db, reason)

    # ------------------------------------------------------------------------------------------------------ readings

    def _gains(self, paths):
        """Return the gains of all lanes to the left and to the right of the bus."""
        ways = [paths.gains[strip.name] for strip in self._session.strips]
        return [np.array([way[0, 0] for way in ways]), np.array([way[1, -1] for way in ways])]

    def _peak(self, gains) -> Peak:
        survey = self._survey
        peak = search(survey.extremes, gains, self._measured, self._recent)
        if (peak.side, peak.block) not in self._recent:
            self._recent.append((peak.side, peak.block))
        self._evaluated += peak.evaluated
        if self._evaluated > _ANCHOR_EVERY * survey.envelopes[0].low.shape[1]:
            survey.renew_anchor(gains)
            self._evaluated = 0
        return peak

    def _measured(self, side, blocks, gains):
        between = self._survey.interpolator
        total = self._survey.sums_at(side, blocks, gains)
        samples = np.abs(total[between.before : between.before + FINE_FRAMES]).max(axis=0)
        return samples, np.maximum(between.block_peaks(total)[0], samples)

    def _clipped(self, peak):
        if self._session.bus == "float":
            return ""
        if self._session.groups:
            return "the bus is fixed and every group may clip on its way"
        return "the bus is fixed and its sum clips" if peak.sample > 1.0 else ""

    def _reading(self, gains, peak, master_gain) -> BusReading:
        gains = [gain * master_gain for gain in gains]
        coarse = sum(each.coarse_energy(gain) for each, gain in zip(self._survey.products, gains, strict=True))
        longest = {}
        for hops in (_MOMENTARY_HOPS, _SHORT_TERM_HOPS):
            fits = len(self._survey.edges) > hops * FINE_IN_COARSE
            power = highest_window(self._survey.products, gains, coarse, self._survey.edges, hops) if fits else 0.0
            longest[hops] = float(loudness_of_power(power)) if fits else None
        return BusReading(
            sample_peak_dbfs=float(ratio_to_db(peak.sample * master_gain)),
            true_peak_dbtp=float(ratio_to_db(peak.between * master_gain)),
            rms_dbfs=self._rms_dbfs(gains),
            loudness_lufs=self._integrated(coarse),
            momentary_max_lufs=longest[_MOMENTARY_HOPS],
            short_term_max_lufs=longest[_SHORT_TERM_HOPS],
            peak_time_s=self._peak_time_s(peak),
        )

    def _integrated(self, coarse):
        if len(coarse) < _MOMENTARY_HOPS:
            return None
        ends = self._survey.edges[::FINE_IN_COARSE][: len(coarse) + 1]
        widths = ends[_MOMENTARY_HOPS:] - ends[:-_MOMENTARY_HOPS]
        energy = np.lib.stride_tricks.sliding_window_view(coarse, _MOMENTARY_HOPS).sum(axis=1)
        return float(gated_loudness(energy / widths))

    def _rms_dbfs(self, gains):
        power = 0.0
        for side in SIDES:
            mean = gains[side] @ self._survey.sums[side] / self._frames
            power += max(gains[side] @ self._survey.raw[side] @ gains[side] / self._frames - mean**2, 0.0) / 2
        return 10.0 * math.log10(2.0 * power) if power else -math.inf

    def _peak_time_s(self, peak):
        if not peak.between:
            return None
        total = self._survey.sums_at(peak.side, np.array([peak.block]), peak.mix)
        inside = total[self._survey.interpolator.before :][:FINE_FRAMES]
        return (peak.block * FINE_FRAMES + int(np.argmax(np.abs(inside)))) / self._rate_hz

    def _rendered(self, moves, solo, master_trim_db, reason):
        session = self._session.with_faders(moves["faders"])
        for name, value in moves["pan"].items():
            session = session.with_(name, pan=value)
        for name in moves["mute"]:
            session = session.with_(name, mute=True)
        for name in solo:
            session = session.with_(name, solo=True)
        trimmed = session.with_("bus", trim_db=session.master.trim_db + master_trim_db)
        return BusReading.of(measure(trimmed.render().bus), rendered=reason)
