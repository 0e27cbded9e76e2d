"""The bus meters of any weighted sum of surveyed lanes, worked out from the survey."""

import contextlib
import math
import threading
from collections import deque
from dataclasses import replace

import numpy as np

from gainlib.audio import Audio
from gainlib.levels import ratio_to_db
from gainlib.meters import NodeReading, gated_loudness
from gainlib.meters.loudness import loudness_of_power
from gainlib.session.cross_products import FEW, FINE_IN_COARSE, factor_and_rest, highest_window
from gainlib.session.peak_bounds import FINE_FRAMES, Peak, search
from gainlib.session.scratch import one_thread
from gainlib.session.survey import SIDES

_MOMENTARY_HOPS, _SHORT_TERM_HOPS = 4, 30
_OF_FILES, _OF_MEMORY = 1 / 40, 0.5  # a new anchor costs about as much as summing this share of all blocks one by one


BusReading = NodeReading
"""What the meters on the bus show: peaks, RMS and loudness, with `peak_time_s` and `rendered`."""


class Reader:
    """Reads the meters of sums of a survey's lanes; gains are always those of all lanes, left and right.

    Parameters
    ----------
    survey : Survey
    anchor : list of array
        Gains of its anchor.
    told : callable
        Called with a label, the frames done and the frames in all, while a new anchor is taken.
    """

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
