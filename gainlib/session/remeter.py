"""Answers to a fader move without rendering: the same readings as measuring the rendered bus, far sooner.

Behind the faders a mix is a weighted sum, as long as nothing there depends on level. Then every reading of the
bus follows from what was measured once of its parts: energies from products between the stems
(:mod:`gainlib.session.cross_products`), peaks from the few blocks that can hold them
(:mod:`gainlib.session.peak_bounds`).
Where a session is not of that kind, it is rendered and measured, and the reading says so.
"""

import contextlib
import math
import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

import numpy as np

from gainlib.audio import Audio, GainlibError
from gainlib.levels import ratio_to_db
from gainlib.meters import NodeReading, gated_loudness
from gainlib.meters.loudness import loudness_of_power
from gainlib.session import routing
from gainlib.session.checks import decibels, names, position
from gainlib.session.cross_products import FEW, FINE_IN_COARSE, factor_and_rest, highest_window, one_thread
from gainlib.session.peak_bounds import FINE_FRAMES, BusPeak, Peak, above, search, worst
from gainlib.session.routing import bus_routes
from gainlib.session.strip import BUS, ratio
from gainlib.session.survey import SIDES, lane_of
from gainlib.session.surveys import surveyed

_METERS = ("sample_peak", "true_peak", "rms", "loudness")
_MOMENTARY_HOPS, _SHORT_TERM_HOPS = 4, 30
_OF_FILES, _OF_MEMORY = 1 / 40, 0.5  # a new anchor costs about as much as summing this share of all blocks one by one


BusReading = NodeReading
"""What the meters on the bus show: peaks, RMS and loudness, with `peak_time_s` and `rendered`."""


class Reader:
    """Reads the meters of sums of a survey's lanes; gains are always those of all lanes, left and right."""

    def __init__(self, survey, anchor, told):
        self.survey, self._told = survey, told
        self._frames, self._rate_hz, self._lock = survey.frames, survey.rate_hz, threading.RLock()
        self._recent, self._work, self._before = deque(maxlen=8), 0, np.concatenate(anchor)

    @contextlib.contextmanager
    def at_work(self):
        """Return a context in which this thread alone reads: a new anchor must not come between."""
        with self._lock, one_thread():
            yield self

    def peak(self, gains: list[np.ndarray]) -> Peak:
        """Return the highest magnitudes of a sum, taking a new anchor where the bounds are too loose."""
        survey = self.survey
        patience = self.patience()
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
            # written in lanes alone: the mix that led here may lean on the anchor that has gone
            peak, self._work = replace(peak, mix=np.concatenate([[0.0], gains[peak.side]])), 0
        return peak

    def _stays(self, gains):
        """Return whether few lanes moved since the last reading: then the next will be near, and a new anchor pays."""
        before, self._before = self._before, np.concatenate(gains)
        return np.count_nonzero(factor_and_rest(self._before, before)[1]) <= 2 * FEW

    def patience(self) -> float:
        """Return how much may be summed block by block before summing everything once is the shorter way."""
        survey = self.survey
        files = any(not isinstance(lane.source, Audio) for lane in survey.lanes)
        return (_OF_FILES if files else _OF_MEMORY) * survey.envelopes[0].low.size

    def _measured(self, side, blocks, gains):
        between = self.survey.interpolator
        total = self.survey.sums_at(side, blocks, gains)
        samples = np.abs(total[between.before : between.before + FINE_FRAMES]).max(axis=0)
        return samples, np.maximum(between.block_peaks(total)[0], samples)

    def reading(self, gains: list[np.ndarray], peak: Peak, master_gain: float) -> BusReading:
        """Return what the meters show behind one more gain."""
        gains = [gain * master_gain for gain in gains]
        products, edges = self.survey.products, self.survey.edges
        nearby = list(zip(self.survey.nearby, gains, strict=True))
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
            peak_time_s=self.peak_frame(peak) / self._rate_hz if peak.between else None,
        )

    def _integrated(self, coarse):
        if len(coarse) < _MOMENTARY_HOPS:
            return None
        ends = self.survey.edges[::FINE_IN_COARSE][: len(coarse) + 1]
        widths = ends[_MOMENTARY_HOPS:] - ends[:-_MOMENTARY_HOPS]
        energy = np.lib.stride_tricks.sliding_window_view(coarse, _MOMENTARY_HOPS).sum(axis=1)
        return float(gated_loudness(energy / widths))

    def _rms_dbfs(self, gains):
        power = 0.0
        for side in SIDES:
            mean = gains[side] @ self.survey.sums[side] / self._frames
            power += max(gains[side] @ self.survey.raw[side] @ gains[side] / self._frames - mean**2, 0.0) / 2
        return 10.0 * math.log10(2.0 * power) if power else -math.inf

    def peak_frame(self, peak: Peak) -> int:
        """Return the frame at which, or just before which, the true peak stands."""
        total = self.survey.sums_at(peak.side, np.array([peak.block]), peak.mix)
        inside = total[self.survey.interpolator.before :][:FINE_FRAMES]
        return peak.block * FINE_FRAMES + int(np.argmax(np.abs(inside)))


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
        self._float = session.with_(bus="float")
        self._ways, self._reader = [], None
        ways = bus_routes(self._float.each(lambda each: each.with_(mute=False, solo=False))).gains
        if ways:
            told = progress or (lambda *_: None)
            self._ways = sorted(ways)
            lanes = [lane_of(session, session.strip(name), chain) for name, chain in self._ways]
            anchor = self._gains(bus_routes(self._float))
            self._reader = Reader(surveyed(lanes, session.frames, session.rate_hz, anchor, told), anchor, told)

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
            Peaks, RMS and loudness, equal to measuring the rendered bus.

        Raises
        ------
        GainlibError
            For a name the session does not hold, and for a value that its control cannot take.
        """
        moves, solo = self._checked(faders, pan, mute), names(solo, "solo")
        master_trim_db = decibels(master_trim_db, "master_trim_db")
        gains, reason = self._moved(moves, solo)
        if not reason:
            with self._reader.at_work() as reader:
                peak = reader.peak(gains)
                reason = self._clipped(peak)
                if not reason:
                    return reader.reading(gains, peak, ratio(master_trim_db) * _gain_of(self._session.master))
        return self._rendered(moves, solo, master_trim_db, reason)

    def at(self, session) -> "Moved | None":
        """Return the float bus of the session with other faders, pans, mutes, solos, or master trim and fader.

        None where more than that differs, and where the bus would have to be rendered.
        """
        if self._reader is None or _fixed_part(session) != _fixed_part(self._float):
            return None
        return Moved(self, self._gains(bus_routes(session)), _gain_of(session.master))

    def _instant(self, gains, master_gain, frame, side):
        survey = self._reader.survey
        shares = dict.fromkeys((strip.name for strip in self._session.strips), 0.0)
        for (name, _), lane, gain in zip(self._ways, survey.lanes, gains[side], strict=True):
            if gain:
                shares[name] += master_gain * gain * float(lane.gather(np.array([frame]), 1)[0, 0, -side])
        return BusPeak(frame / survey.rate_hz, side, sum(shares.values()), shares)

    def _checked(self, faders, pan, mute):
        """Return a move by what changes, each value as the strip or group itself would take it."""
        channels = routing.channels(self._float)

        def values(given, label, field, check):
            if not isinstance(given, Mapping):
                raise GainlibError(f"{label} is {given!r}; give a dictionary of names and values")
            # A name that is none is refused further on, with the nearest one.
            return {
                name: check(value, f"{channels[name].label}: {field}") if name in channels else value
                for name, value in given.items()
            }

        return {
            "faders": values({} if faders is None else faders, "faders", "fader_db", decibels),
            "pan": values({} if pan is None else pan, "pan", "pan", position),
            "mute": names(mute, "mute"),
        }

    def _moved(self, moves, solo):
        """Return the gains of all lanes, left and right, after a move, or why there are none."""
        session = self._float
        for name in solo:
            session = session.with_(name, solo=True)
        routes = bus_routes(session, **moves)
        if routes.gains is None:
            return None, routes.reason
        return self._gains(routes), "" if self._reader else "nothing reaches the bus"

    def _gains(self, routes):
        """Return the gains of all lanes to the left and to the right of the bus."""
        pairs = [routes.gains.get(way, (0.0, 0.0)) for way in self._ways]
        return [np.array([pair[side] for pair in pairs]) for side in SIDES]

    def _clipped(self, peak):
        if self._session.bus == "float":
            return ""
        if self._session.groups:
            return "the bus is fixed and every group may clip on its way"
        return "the bus is fixed and its sum clips" if peak.sample > 1.0 else ""

    def _rendered(self, moves, solo, master_trim_db, reason):
        faders, pan, mute = moves["faders"], moves["pan"], moves["mute"]

        def moved(each):
            places = {"fader_db": faders.get(each.name, each.fader_db), "pan": pan.get(each.name, each.pan)}
            return each.with_(**places, mute=each.mute or each.name in mute, solo=each.solo or each.name in solo)

        trimmed = self._session.each(moved).with_(BUS, trim_db=self._session.master.trim_db + master_trim_db)
        return replace(trimmed.render().levels([BUS], _METERS)[BUS], rendered=reason)


def _gain_of(master):
    return ratio(master.trim_db + master.fader_db)


def _fixed_part(session):
    """Return a session with everything at its zero that a :class:`Remeter` follows without another survey."""
    zero = {"fader_db": 0.0, "pan": 0.0, "mute": False, "solo": False}
    master = session.master.with_(trim_db=0.0, fader_db=0.0)
    return session.each(lambda each: each.with_(**zero)).with_(master=master, bus="float")


class Moved:
    """A state of a session that a remeter answers for; see :meth:`Remeter.at`."""

    def __init__(self, remeter: Remeter, gains: list[np.ndarray], master_gain: float):
        self._remeter, self._gains, self._master_gain = remeter, gains, master_gain
        self._reader = remeter._reader

    def reading(self) -> BusReading:
        """Return what the meters on the float bus show."""
        with self._reader.at_work() as reader:
            return reader.reading(self._gains, reader.peak(self._gains), self._master_gain)

    def over_samples(self) -> int | None:
        """Return how many samples are beyond ±1, all channels counted; None where that is too much work."""
        if not self._master_gain:
            return 0
        with self._reader.at_work() as reader:
            found = above(reader.survey, self._gains, 1.0 / self._master_gain, reader.patience())
        return None if found is None else len(found[0])

    def instants(self, count: int, apart_s: float) -> tuple[BusPeak, ...] | None:
        """Return the highest samples, worst first, at least `apart_s` apart.

        None where it is too much work, and where fewer than `count` are within 12 dB of the highest.
        """
        with self._reader.at_work() as reader:
            apart = int(np.ceil(apart_s * reader.survey.rate_hz))
            highest = reader.peak(self._gains).sample
            found = worst(reader.survey, self._gains, highest, count, apart, reader.patience())
            if found is None:
                return None
            state = self._gains, self._master_gain
            return tuple(self._remeter._instant(*state, frame, side) for frame, side, _ in found)
