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

from gainlib import kernels
from gainlib.audio import Audio
from gainlib.levels import ratio_to_db
from gainlib.meters import KFilter, gated_loudness, interpolator, measure
from gainlib.meters.loudness import loudness_of_power
from gainlib.meters.peak import TAPS
from gainlib.session import routing
from gainlib.session.extremes import COARSE_FRAMES, FINE_FRAMES, Envelope, Extremes, Peak, search
from gainlib.session.lanes import Lane, lane_of
from gainlib.session.products import FINE_IN_COARSE, ProductsBuilder, highest_window, hop_edges, pairs
from gainlib.session.scratch import Table

_CHUNK_FRAMES = 64 * COARSE_FRAMES
_MOMENTARY_HOPS, _SHORT_TERM_HOPS = 4, 30
_SIDES = (0, 1)
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
        self._told = progress or (lambda *_: None)
        self._float = session.with_(bus="float")
        self._frames, self._rate_hz = session.frames, session.rate_hz
        self._interpolator = interpolator(session.rate_hz)
        self._edges = hop_edges(self._frames, self._rate_hz)
        self._recent, self._evaluated = deque(maxlen=8), 0
        if routing.bus_paths(self._float).gains is not None:
            self._lanes = [lane_of(session, strip) for strip in session.strips]
            self._survey()

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

    # ------------------------------------------------------------------------------------------------------- survey

    def _survey(self):
        """Pass once over all lanes and keep what the readings need."""
        lanes = len(self._lanes)
        rows, columns = max(len(self._edges) - 1, 0), len(pairs(lanes)[0])
        builders = [ProductsBuilder(lanes, self._edges, Table(rows, columns)) for _ in _SIDES]
        filters = [KFilter(self._rate_hz, lane.source.channels) for lane in self._lanes]
        self._raw, self._sums = np.zeros((2, lanes, lanes)), np.zeros((2, lanes))
        envelopes = [Envelope(1 + lanes, -(-self._frames // FINE_FRAMES)) for _ in _SIDES]
        anchor = self._gains(routing.bus_paths(self._float))
        mix = np.empty((self._frames, 2), np.float32)
        weighted = np.empty((2, lanes, _CHUNK_FRAMES))
        before = self._interpolator.before
        for start, stop, padded in self._chunks():
            count = stop - start
            for index, (lane, k_filter) in enumerate(zip(self._lanes, filters, strict=True)):
                block = padded[:, index, before : before + count]
                heavy = k_filter(np.ascontiguousarray(block[: lane.source.channels].T))
                weighted[0, index, :count], weighted[1, index, :count] = heavy[:, 0], heavy[:, -1]
                self._note_extremes(envelopes, 1 + index, start, padded[: lane.source.channels, index])
            sums = np.stack([gain @ parts for gain, parts in zip(anchor, padded, strict=True)])
            self._note_extremes(envelopes, 0, start, sums)
            mix[start:stop] = sums[:, before : before + count].T
            plain = padded[:, :, before : before + count]
            self._raw += plain @ plain.transpose(0, 2, 1)
            self._sums += plain.sum(axis=2)
            for builder, parts in zip(builders, weighted, strict=True):
                builder.push(parts[:, :count])
            self._told("survey", stop, self._frames)
        self._products = [builder.result() for builder in builders]
        self._set_anchor(envelopes, anchor, mix)

    def _chunks(self):
        """Yield borders and samples of chunk after chunk, shape (2, lanes, frames), with neighbours on either side."""
        before, after = self._interpolator.before, self._interpolator.after
        streams = [lane.blocks(_CHUNK_FRAMES, self._frames) for lane in self._lanes]
        held = np.zeros((2, len(streams), before))
        waiting = self._next(streams)
        for start in range(0, self._frames, _CHUNK_FRAMES):
            stop = min(start + _CHUNK_FRAMES, self._frames)
            current, waiting = waiting, self._next(streams) if stop < self._frames else None
            ahead = np.zeros((2, len(streams), after))
            if waiting is not None:
                count = min(after, waiting.shape[2])
                ahead[:, :, :count] = waiting[:, :, :count]
            yield start, stop, np.concatenate([held, current, ahead], axis=2)
            held = np.concatenate([held, current], axis=2)[:, :, -before:]

    def _next(self, streams):
        blocks = [next(stream) for stream in streams]
        return np.array([[block[:, 0] for block in blocks], [block[:, -1] for block in blocks]])

    def _note_extremes(self, envelopes, row, start, padded):
        """Put the extremes of one lane's chunk, shape (channels, frames), where they belong."""
        between, samples = self._interpolator, np.ascontiguousarray(padded.T)
        blocks = -(-(len(samples) - TAPS + 1) // FINE_FRAMES)
        low, high = np.empty((2, samples.shape[1], blocks), np.float32)
        even_factor = between.factor % 2 == 0
        kernels.interpolated_envelope(samples, between.even, between.odd, even_factor, FINE_FRAMES, low, high)
        for envelope, column in zip(envelopes, (0, -1), strict=True):
            envelope.put(row, start // FINE_FRAMES, low[column], high[column])

    def _set_anchor(self, envelopes, gains, mix):
        self._envelopes = envelopes
        self._extremes = [Extremes.of(envelope, gain) for envelope, gain in zip(envelopes, gains, strict=True)]
        self._anchor = Lane(Audio(mix, self._rate_hz), 1.0)
        self._evaluated = 0

    def _drop_anchor(self, gains):
        """Take the sum at `gains` as the new anchor."""
        mix = np.empty((self._frames, 2), np.float32)
        before = self._interpolator.before
        for start, stop, padded in self._chunks():
            sums = np.stack([gain @ parts for gain, parts in zip(gains, padded, strict=True)])
            self._note_extremes(self._envelopes, 0, start, sums)
            mix[start:stop] = sums[:, before : before + stop - start].T
        self._set_anchor(self._envelopes, gains, mix)

    # ------------------------------------------------------------------------------------------------------ readings

    def _gains(self, paths):
        """Return the gains of all lanes to the left and to the right of the bus."""
        ways = [paths.gains[strip.name] for strip in self._session.strips]
        return [np.array([way[0, 0] for way in ways]), np.array([way[1, -1] for way in ways])]

    def _peak(self, gains) -> Peak:
        peak = search(self._extremes, gains, self._measured, self._recent)
        if (peak.side, peak.block) not in self._recent:
            self._recent.append((peak.side, peak.block))
        self._evaluated += peak.evaluated
        if self._evaluated > _ANCHOR_EVERY * self._envelopes[0].low.shape[1]:
            self._drop_anchor(gains)
        return peak

    def _sums_at(self, side, blocks, gains):
        """Return the sum of anchor and lanes in some fine blocks with their neighbours, shape (frames, blocks)."""
        starts = blocks * FINE_FRAMES - self._interpolator.before
        length = FINE_FRAMES + TAPS - 1
        total = np.zeros((length, len(blocks)))
        for lane, gain in zip((self._anchor, *self._lanes), gains, strict=True):
            if gain:
                total += gain * lane.gather(starts, length)[:, :, -side]
        return total

    def _measured(self, side, blocks, gains):
        total = self._sums_at(side, blocks, gains)
        inside = total[self._interpolator.before : self._interpolator.before + FINE_FRAMES]
        samples = np.abs(inside).max(axis=0)
        return samples, np.maximum(self._interpolator.block_peaks(total)[0], samples)

    def _clipped(self, peak):
        if self._session.bus == "float":
            return ""
        if self._session.groups:
            return "the bus is fixed and every group may clip on its way"
        return "the bus is fixed and its sum clips" if peak.sample > 1.0 else ""

    def _reading(self, gains, peak, master_gain) -> BusReading:
        gains = [gain * master_gain for gain in gains]
        coarse = sum(each.coarse_energy(gain) for each, gain in zip(self._products, gains, strict=True))
        longest = {}
        for hops in (_MOMENTARY_HOPS, _SHORT_TERM_HOPS):
            fits = len(self._edges) > hops * FINE_IN_COARSE
            power = highest_window(self._products, gains, coarse, self._edges, hops) if fits else 0.0
            longest[hops] = float(loudness_of_power(power)) if fits else None
        return BusReading(
            sample_peak_dbfs=float(ratio_to_db(peak.sample * master_gain)),
            true_peak_dbtp=float(ratio_to_db(peak.between * master_gain)),
            rms_dbfs=self._rms_dbfs(gains),
            loudness_lufs=self._integrated(coarse),
            momentary_max_lufs=longest[_MOMENTARY_HOPS],
            short_term_max_lufs=longest[_SHORT_TERM_HOPS],
            peak_time_s=self._peak_time_s(gains, peak),
        )

    def _integrated(self, coarse):
        if len(coarse) < _MOMENTARY_HOPS:
            return None
        ends = self._edges[::FINE_IN_COARSE][: len(coarse) + 1]
        widths = ends[_MOMENTARY_HOPS:] - ends[:-_MOMENTARY_HOPS]
        energy = np.lib.stride_tricks.sliding_window_view(coarse, _MOMENTARY_HOPS).sum(axis=1)
        return float(gated_loudness(energy / widths))

    def _rms_dbfs(self, gains):
        power = 0.0
        for side in _SIDES:
            mean = gains[side] @ self._sums[side] / self._frames
            power += max(gains[side] @ self._raw[side] @ gains[side] / self._frames - mean**2, 0.0) / 2
        return 10.0 * math.log10(2.0 * power) if power else -math.inf

    def _peak_time_s(self, gains, peak):
        if not peak.between:
            return None
        total = self._sums_at(peak.side, np.array([peak.block]), np.concatenate([[0.0], gains[peak.side]]))
        inside = total[self._interpolator.before : self._interpolator.before + FINE_FRAMES]
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
