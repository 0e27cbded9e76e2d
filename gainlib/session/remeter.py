"""Answers to a fader move without rendering: the same readings as measuring the rendered bus, far sooner.

Behind the faders a mix is a weighted sum, as long as nothing there depends on level. Then every reading of the
bus follows from what was measured once of its parts: energies from products between the stems
(:mod:`gainlib.session.products`), peaks from the few blocks that can hold them (:mod:`gainlib.session.extremes`).
Where a session is not of that kind, it is rendered and measured, and the reading says so.
"""

import math
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from gainlib.audio import Audio
from gainlib.levels import ratio_to_db
from gainlib.meters import gated_loudness, measure
from gainlib.meters.loudness import loudness_of_power
from gainlib.session.extremes import FINE_FRAMES, Peak, search
from gainlib.session.lanes import lane_of
from gainlib.session.nearby import FEW, factor_and_rest
from gainlib.session.products import FINE_IN_COARSE, highest_window
from gainlib.session.routes import bus_routes
from gainlib.session.scratch import one_thread
from gainlib.session.strip import ratio
from gainlib.session.survey import SIDES
from gainlib.session.surveys import surveyed

_MOMENTARY_HOPS, _SHORT_TERM_HOPS = 4, 30
_OF_FILES, _OF_MEMORY = 1 / 40, 0.5  # a new anchor costs about as much as summing this share of all blocks one by one


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


class Instant(NamedTuple):
    """The bus at one sample.

    Attributes
    ----------
    time_s : float
    channel : int
        0 left, 1 right.
    value : float
        Signed, full scale 1.
    strips : dict of str to float
        What each strip has in it, by every way it takes.
    """

    time_s: float
    channel: int
    value: float
    strips: dict[str, float]


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
        self._told = progress or (lambda *_: None)
        self._float = session.with_(bus="float")
        self._frames, self._rate_hz = session.frames, session.rate_hz
        self._recent, self._work, self._before = deque(maxlen=8), 0, np.zeros(0)
        self._ways, self._survey = [], None
        ways = bus_routes(_all_open(self._float)).gains
        if ways:
            self._ways = sorted(ways)
            lanes = [lane_of(session, session.strip(name), chain) for name, chain in self._ways]
            anchor = self._gains(bus_routes(self._float))
            self._before = np.concatenate(anchor)
            self._survey = surveyed(lanes, self._frames, self._rate_hz, anchor, self._told)

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
        gains, reason = self._moved(moves, solo)
        if not reason:
            with one_thread():
                peak = self._peak(gains)
                reason = self._clipped(peak)
                if not reason:
                    return self._reading(gains, peak, self._master_gain(master_trim_db))
        return self._rendered(moves, solo, master_trim_db, reason)

    def worst(
        self,
        faders: Mapping[str, float] | None = None,
        *,
        pan: Mapping[str, float] | None = None,
        mute: Iterable[str] = (),
        solo: Iterable[str] = (),
        master_trim_db: float = 0.0,
    ) -> Instant | None:
        """Return the sample at which the bus peaks after a move, and what each strip has in it there.

        Parameters
        ----------
        faders, pan, mute, solo, master_trim_db
            As for :meth:`read`.

        Returns
        -------
        instant : Instant or None
            Of the float sum. None for silence, and where the session would have to be rendered.
        """
        moves = {"faders": dict(faders or {}), "pan": dict(pan or {}), "mute": tuple(mute)}
        gains, reason = self._moved(moves, solo)
        peak = self._peak(gains) if not reason else None
        if peak is None or not peak.between:
            return None
        frame, side = self._peak_frame(peak), peak.side
        shares = dict.fromkeys((strip.name for strip in self._session.strips), 0.0)
        for (name, _), lane, gain in zip(self._ways, self._survey.lanes, gains[side], strict=True):
            if gain:
                value = float(lane.gather(np.array([frame]), 1)[0, 0, -side])
                shares[name] += self._master_gain(master_trim_db) * gain * value
        return Instant(frame / self._rate_hz, side, sum(shares.values()), shares)

    def _moved(self, moves, solo):
        """Return the gains of all lanes, left and right, after a move, or why there are none."""
        session = self._float
        for name in solo:
            session = session.with_(name, solo=True)
        routes = bus_routes(session, **moves)
        if routes.gains is None:
            return None, routes.reason
        return self._gains(routes), "" if self._survey else "nothing reaches the bus"

    def _master_gain(self, master_trim_db):
        master = self._session.master
        return ratio(master.trim_db + master_trim_db + master.fader_db)

    # ------------------------------------------------------------------------------------------------------ readings

    def _gains(self, routes):
        """Return the gains of all lanes to the left and to the right of the bus."""
        pairs = [routes.gains.get(way, (0.0, 0.0)) for way in self._ways]
        return [np.array([pair[side] for pair in pairs]) for side in SIDES]

    def _peak(self, gains) -> Peak:
        survey = self._survey
        patience = self._patience()
        peak = search(survey.extremes, gains, self._measured, self._recent, patience)
        if peak is None:
            survey.renew_anchor(gains, self._told)
            peak, self._work = search(survey.extremes, gains, self._measured, self._recent), 0
        if not self._stays(gains):
            self._work = 0
        if (peak.side, peak.block) not in self._recent:
            self._recent.append((peak.side, peak.block))
        self._work += peak.work
        if self._work > patience:
            survey.renew_anchor(gains, self._told)
            self._work = 0
        return peak

    def _stays(self, gains):
        """Return whether few lanes moved since the last reading: then the next will be near, and a new anchor pays."""
        before, self._before = self._before, np.concatenate(gains)
        return np.count_nonzero(factor_and_rest(self._before, before)[1]) <= 2 * FEW

    def _patience(self):
        """Return how much may be summed block by block before summing everything once is the shorter way."""
        survey = self._survey
        files = any(not isinstance(lane.source, Audio) for lane in survey.lanes)
        return (_OF_FILES if files else _OF_MEMORY) * survey.envelopes[0].low.size

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
        products, edges = self._survey.products, self._survey.edges
        nearby = list(zip(self._survey.nearby, gains, strict=True))
        coarse = sum(each.coarse_energy(gain) for each, gain in nearby)
        bounds = [each.fine_bound(gain) for each, gain in nearby]
        fine = None if any(bound is None for bound in bounds) else sum(bounds)
        longest = {}
        for hops in (_MOMENTARY_HOPS, _SHORT_TERM_HOPS):
            fits = len(edges) > hops * FINE_IN_COARSE
            power = highest_window(products, gains, coarse, fine, edges, hops) if fits else 0.0
            longest[hops] = float(loudness_of_power(power)) if fits else None
        return BusReading(
            sample_peak_dbfs=float(ratio_to_db(peak.sample * master_gain)),
            true_peak_dbtp=float(ratio_to_db(peak.between * master_gain)),
            rms_dbfs=self._rms_dbfs(gains),
            loudness_lufs=self._integrated(coarse),
            momentary_max_lufs=longest[_MOMENTARY_HOPS],
            short_term_max_lufs=longest[_SHORT_TERM_HOPS],
            peak_time_s=self._peak_frame(peak) / self._rate_hz if peak.between else None,
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

    def _peak_frame(self, peak):
        total = self._survey.sums_at(peak.side, np.array([peak.block]), peak.mix)
        inside = total[self._survey.interpolator.before :][:FINE_FRAMES]
        return peak.block * FINE_FRAMES + int(np.argmax(np.abs(inside)))

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


def _all_open(session):
    """Return a session with every mute and solo off, so that every way is open."""
    strips = tuple(strip.with_(mute=False, solo=False) for strip in session.strips)
    groups = tuple(group.with_(mute=False, solo=False) for group in session.groups)
    return session.with_(strips=strips, groups=groups)
