"""The mix bus: who makes it peak, and how far everything has to come down together.

``contributions`` and ``common_offset`` look at the float sum, also for a fixed bus: behind a sum that was clipped
neither the height of a peak nor what a strip adds to it can be seen any more.

Behind the faders a mix is a weighted sum as long as nothing there depends on level or time. ``Stretches`` keeps the
short stretches of every strip around the worst instants once; any faders, mutes and master trim then give the bus there
as a product of gains and stretches. Which instants are the worst is not looked for again: that is what
:func:`contributions` does when the hand lets go.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from gainlib.audio import GainlibError
from gainlib.audio.types import stretch_of
from gainlib.levels import db_to_ratio
from gainlib.meters import NodeMeter, NodeReading
from gainlib.session import Session, routing
from gainlib.session.peak_bounds import BusPeak, spaced
from gainlib.session.strip import BUS
from gainlib.session.survey import lane_of

APART_S = 0.010
CELL_S = 0.001
REACH_DB = 60.0
STEP_DB = 6.0
CLOSE_DB = 0.002
_FIGURES = ("sample_peak", "over", "loudness")
REACH_S = 0.002
LESS_DB = 6.0
WORTH_DB = 3.0


class BusFigures(NamedTuple):
    """Peak, samples beyond ±1 (all channels counted) and integrated loudness of a bus, for unpacking."""

    sample_peak_dbfs: float
    over_samples: int
    loudness_lufs: float | None


@dataclass(frozen=True)
class Contributions:
    """Who makes the bus peak.

    Attributes
    ----------
    peaks : tuple of BusPeak
        The worst instants, worst first, at least 10 ms apart.
    without : dict of str to BusFigures
        The bus when that one strip is muted.
    bus : BusFigures
        The bus with all strips.
    """

    peaks: tuple[BusPeak, ...]
    without: dict[str, BusFigures]
    bus: BusFigures


def contributions(session: Session, count: int = 10, *, remeter=None) -> Contributions:
    """Find the worst instants of the bus, what each strip has in them, and the bus without each strip.

    The bus is node "bus", behind the master fader, of the session with a float bus. What strip i has in it is the bus
    less the bus with i muted. Where all behind the faders is gain, that is the strip's own signal as it arrives, by
    every way it takes, and the strips add up to the bus. Behind a level-dependent insert in a group or the master it
    is the change the strip makes to what is there; the strips then need not add up, and ``peak.rest`` is what is left.

    Parameters
    ----------
    session : Session
    count : int
        Number of instants at most; fewer come back when the bus has no more 10 ms apart that are not silent.
    remeter : Remeter, optional
        Of the same session, with any faders, pans, mutes and master fader. Then nothing is rendered, where it can
        answer; on a session of full length that is a fraction of a second in place of many. Instants that lie less
        than 10 ms from a higher one by a hair may be chosen differently.

    Returns
    -------
    contributions : Contributions

    Examples
    --------
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Strip
    >>> spike = np.zeros(4800)
    >>> spike[2400] = 0.5
    >>> session = Session([Strip(name, Audio(spike * gain, 48000)) for name, gain in (("kick", 1.0), ("bass", -0.4))])
    >>> peak, = contributions(session).peaks
    >>> peak.time_s, round(peak.value, 4), {name: round(value, 4) for name, value in peak.strips.items()}
    (0.05, 0.2121, {'kick': 0.3536, 'bass': -0.1414})
    """
    if isinstance(count, bool) or not isinstance(count, int) or count < 1:
        raise GainlibError(f"count is {count!r}; give a whole number of peaks, 1 or more")
    shadow = session.with_(bus="float")
    names = [strip.name for strip in shadow.strips]
    found = _from_remeter(shadow, names, count, remeter) if remeter is not None else None
    if found is not None:
        return found
    worst = _Worst(shadow.rate_hz, len(names), count)
    bus, *without = [NodeMeter(shadow.rate_hz, 2, _FIGURES) for _ in (None, *names)]
    for total, parts in shadow.render().parts():
        worst.push(total, parts)
        bus.push(total)
        for figures, part in zip(without, parts, strict=True):
            if part is not None:
                figures.push(total - part)
    silent = [part is None for part in parts]
    figures = [bus if nothing else each for nothing, each in zip(silent, without, strict=True)]
    return Contributions(
        worst.peaks(names),
        {name: _figures(each.result()) for name, each in zip(names, figures, strict=True)},
        _figures(bus.result()),
    )


def _figures(reading):
    return BusFigures(reading.sample_peak_dbfs, reading.over_samples, reading.loudness_lufs)


def _from_remeter(session, names, count, remeter):
    """Return the contributions without rendering, or None where the remeter does not answer."""
    states = [remeter.at(session), *(remeter.at(session.with_(name, mute=True)) for name in names)]
    if None in states:
        return None
    instants = states[0].instants(count, APART_S)
    if instants is None:
        return None
    figures = []
    for state in states:
        reading = state.reading()
        over = state.over_samples() if reading.sample_peak_dbfs > -1e-3 else 0
        if over is None:
            return None
        figures.append(_figures(replace(reading, over_samples=over)))
    return Contributions(instants, dict(zip(names, figures[1:], strict=True)), figures[0])


def common_offset(session: Session, target_dbtp: float = -6.0) -> float:
    """Return how far the faders of all strips have to move together to bring the bus to a true peak.

    Measured on the float sum, which a fixed bus would have cut off: an offset read from a clipped bus is too small.
    Where the bus follows the faders decibel by decibel, one measurement gives it. Otherwise (a level-dependent insert
    behind the faders, a pre-fader send that reaches the bus) it is searched by rendering, to 0.01 dB.

    Parameters
    ----------
    session : Session
    target_dbtp : float
        Wanted true peak of node "bus".

    Returns
    -------
    offset_db : float
        Negative to turn down.

    Raises
    ------
    GainlibError
        When the bus is silent, or when no offset within ±60 dB brings it there.

    Examples
    --------
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Strip
    >>> tone = Audio(np.sin(2 * np.pi * 997 / 48000 * np.arange(48000)), 48000)
    >>> round(common_offset(Session([Strip("tone", tone, pan=-1)])), 2)
    -6.0
    """
    target_dbtp = float(target_dbtp)
    if not np.isfinite(target_dbtp):
        raise GainlibError(f"target_dbtp is {target_dbtp}; give a finite level such as −6")
    shadow = session.with_(bus="float")
    level_dbtp = _true_peak_dbtp(shadow)
    if level_dbtp == -np.inf:
        raise GainlibError("the bus is silent, so no offset brings it to a level; open a strip first")
    if _follows(shadow):
        return target_dbtp - level_dbtp
    return _searched(shadow, target_dbtp, target_dbtp - level_dbtp)


# ------------------------------------------------------------------------------------------------------- the worst


class _Worst:
    """Gathers the worst instants, one candidate a millisecond; keeps as many as the choice can ever need."""

    def __init__(self, rate_hz, strips, count):
        self._rate_hz, self._count, self._clock = rate_hz, count, 0
        self._cell = max(1, round(CELL_S * rate_hz))
        self._apart = int(np.ceil(APART_S * rate_hz))
        # A chosen instant rules out the cells it touches on either side and its own.
        self._pool = count * (2 * (self._apart // self._cell + 2) + 1)
        self._frames, self._channels = np.zeros(0, int), np.zeros(0, int)
        self._values, self._parts = np.zeros(0), np.zeros((0, strips))

    def push(self, total, parts):
        frames, channels = self._candidates(np.abs(total))
        values = total[frames, channels]
        shares = np.zeros((len(frames), len(parts)))
        for column, part in enumerate(parts):
            if part is not None:
                shares[:, column] = part[frames, channels]
        values = np.concatenate([self._values, values])
        best = np.argsort(-np.abs(values), kind="stable")[: self._pool]
        self._values = values[best]
        self._frames = np.concatenate([self._frames, frames + self._clock])[best]
        self._channels = np.concatenate([self._channels, channels])[best]
        self._parts = np.concatenate([self._parts, shares])[best]
        self._clock += len(total)

    def _candidates(self, magnitudes):
        highest = magnitudes.max(axis=1)
        cells = -(-len(highest) // self._cell)
        table = np.pad(highest, (0, cells * self._cell - len(highest)), constant_values=-1.0).reshape(cells, self._cell)
        frames = table.argmax(axis=1) + np.arange(cells) * self._cell
        return frames, magnitudes[frames].argmax(axis=1)

    def peaks(self, names):
        chosen = spaced(self._frames, self._values, self._count, self._apart)
        return tuple(
            BusPeak(
                int(self._frames[index]) / self._rate_hz,
                int(self._channels[index]),
                float(self._values[index]),
                dict(zip(names, self._parts[index].tolist(), strict=True)),
            )
            for index in chosen
            if self._values[index]
        )


# ------------------------------------------------------------------------------------------------ the common offset


def _true_peak_dbtp(session, offset_db=0.0):
    moved = session.with_faders({strip.name: strip.fader_db + offset_db for strip in session.strips})
    return moved.render().levels([BUS], ("true_peak",))[BUS].true_peak_dbtp


def _follows(session):
    gains = routing.bus_paths(session).gains
    if gains is None:
        return False
    moved = routing.bus_paths(session, faders={strip.name: strip.fader_db + 1.0 for strip in session.strips}).gains
    return all(np.allclose(moved[name], gains[name] * db_to_ratio(1.0), rtol=1e-9, atol=0.0) for name in gains)


def _searched(session, target_dbtp, first_db):
    from scipy.optimize import brentq

    def miss(offset_db):
        return max(_true_peak_dbtp(session, offset_db), -1000.0) - target_dbtp

    low = high = min(max(first_db, -REACH_DB), REACH_DB)
    below = above = miss(low)
    while below > 0.0 and low > -REACH_DB:
        low = max(low - STEP_DB, -REACH_DB)
        below = miss(low)
    while above < 0.0 and high < REACH_DB:
        high = min(high + STEP_DB, REACH_DB)
        above = miss(high)
    if below > 0.0 or above < 0.0:
        stays = "above" if below > 0.0 else "below"
        raise GainlibError(
            f"the bus stays {stays} {target_dbtp:g} dBTP however far all faders are moved: what reaches it "
            f"{'ahead of the faders' if below > 0.0 else 'is held down behind them'} has to be set first"
        )
    return low if low == high else brentq(miss, low, high, xtol=CLOSE_DB)


# ---- one loud source -------------------------------------------------------------------------------------------------


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


# ---- followed from fader move to fader move --------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Followed:
    """The bus around its worst instants at some faders.

    Attributes
    ----------
    time_s : array, shape (peaks,)
        The instants.
    parts : array, shape (peaks, strips)
        What each strip adds in the direction of the float sum there; a row adds up to the absolute value of the sum, as
        it leaves a float bus, and of a fixed one ahead of the master, where it is cut.
    waves : array, shape (peaks, frames)
        The bus around each instant, as it leaves; a fixed bus is cut at full scale ahead of the master trim.
    over : bool array, shape (peaks, frames)
        Samples over full scale: of a float bus those that leave it so, of a fixed bus those that it has cut.
    """

    time_s: np.ndarray
    parts: np.ndarray
    waves: np.ndarray
    over: np.ndarray


class Stretches:
    """Short stretches of every strip around the worst instants of a bus.

    Parameters
    ----------
    session : Session
        Nothing but gain may lie behind its faders.
    peaks : iterable of BusPeak
        The instants, as :func:`gainlib.mix.contributions` gives them.
    reach_s : float
        How far a stretch goes to either side of its instant.

    Attributes
    ----------
    names : tuple of str
        The strips, in the order of the columns of ``parts``.
    offsets_s : array, shape (frames,)
        Time of each frame of a stretch, from its instant.

    Raises
    ------
    GainlibError
        When something behind the faders depends on level or time.

    Examples
    --------
    >>> from gainlib.audio import Audio
    >>> from gainlib.session import Session, Strip
    >>> from gainlib.mix import contributions
    >>> spike = np.zeros(4800)
    >>> spike[2400] = 1.0
    >>> session = Session([Strip(name, Audio(spike, 48000), pan=-1) for name in ("kick", "bass")])
    >>> stretches = Stretches(session, contributions(session).peaks)
    >>> stretches.at({"bass": -20.0}).parts.round(3).tolist()
    [[1.0, 0.1]]
    """

    def __init__(self, session: Session, peaks: Iterable[BusPeak], reach_s: float = REACH_S):
        self._session = session.with_(bus="float")
        reason = routing.bus_paths(self._session).reason
        if reason:
            raise GainlibError(f"the peaks cannot be followed without rendering: {reason}")
        self._fixed = session.bus == "fixed"
        self.names = tuple(strip.name for strip in session.strips)
        peaks = tuple(peaks)
        self._sides = np.array([peak.channel for peak in peaks], dtype=int)
        self._time_s = np.array([peak.time_s for peak in peaks])
        reach = max(1, round(reach_s * session.rate_hz))
        self._middle = reach
        self.offsets_s = np.arange(-reach, reach + 1) / session.rate_hz
        self._kept = np.zeros((len(self.names), len(peaks), 2 * reach + 1))
        for row, strip in enumerate(session.strips):
            lane = lane_of(session, strip)
            for column, peak in enumerate(peaks):
                frame = round(peak.time_s * session.rate_hz)
                stretch = np.concatenate(list(stretch_of(lane.source, frame - reach, frame + reach + 1).blocks()))
                self._kept[row, column] = stretch[:, -1 if peak.channel else 0]
            self._kept[row] *= lane.gain

    def at(
        self,
        faders: Mapping[str, float] | None = None,
        *,
        mute: Iterable[str] = (),
        master_trim_db: float | None = None,
        fixed: bool | None = None,
    ) -> Followed:
        """Return the bus around the instants at other faders.

        Parameters
        ----------
        faders : mapping of str to float, optional
            Faders in dB; names left out keep the session's value.
        mute : iterable of str
            Names muted besides those of the session.
        master_trim_db : float, optional
            Stands in for the session's.
        fixed : bool, optional
            Whether the bus is cut at full scale ahead of the master trim; the session's own kind if left out.

        Raises
        ------
        GainlibError
            For a fixed bus with groups, which may cut on their own.
        """
        fixed = self._fixed if fixed is None else fixed
        if fixed and self._session.groups:
            raise GainlibError("the groups of a fixed bus may cut on their way; render the session to see it")
        paths = routing.bus_paths(self._session, faders=faders, mute=tuple(mute), master_trim_db=master_trim_db)
        gains = np.array([[paths.gains[name][side, -1 if side else 0] for side in (0, 1)] for name in self.names])
        scaled = self._kept * gains[:, self._sides][:, :, np.newaxis]
        sums = scaled.sum(axis=0)
        leaving = (np.clip(sums, -1.0, 1.0) if fixed else sums) * paths.master_gain
        over = np.abs(sums if fixed else leaving) > 1.0
        signs = np.where(sums[:, self._middle] < 0, -1.0, 1.0)
        behind = 1.0 if fixed else paths.master_gain
        parts = scaled[:, :, self._middle].T * signs[:, np.newaxis] * behind
        return Followed(self._time_s, parts, leaving, over)
