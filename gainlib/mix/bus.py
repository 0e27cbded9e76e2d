"""The mix bus: who makes it peak, and how far everything has to come down together.

Both functions look at the float sum, also for a fixed bus: behind a sum that was clipped neither the height of a peak
nor what a strip adds to it can be seen any more.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from gainlib.audio import GainlibError
from gainlib.levels import db_to_ratio
from gainlib.meters import NodeMeter
from gainlib.session import Session, routing
from gainlib.session.strip import BUS

APART_S = 0.010
CELL_S = 0.001
REACH_DB = 60.0
STEP_DB = 6.0
CLOSE_DB = 0.002
_FIGURES = ("sample_peak", "over", "loudness")


class BusPeak(NamedTuple):
    """One of the worst instants of the bus.

    Attributes
    ----------
    time_s : float
        Time from the start; times the sample rate it is the frame.
    channel : int
        0 left, 1 right.
    value : float
        The bus there, signed, full scale 1.
    strips : dict of str to float
        What each strip has in it there, signed.
    """

    time_s: float
    channel: int
    value: float
    strips: dict[str, float]

    @property
    def rest(self) -> float:
        """What no single strip owns: the bus less the sum over strips; 0 within rounding when all is linear."""
        return self.value - sum(self.strips.values())


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
    peaks = tuple(BusPeak(*instant) for instant in instants)
    return Contributions(peaks, dict(zip(names, figures[1:], strict=True)), figures[0])


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
        chosen = []
        for index, frame in enumerate(self._frames):
            if len(chosen) == self._count or self._values[index] == 0.0:
                break
            if all(abs(frame - self._frames[other]) >= self._apart for other in chosen):
                chosen.append(index)
        return tuple(
            BusPeak(
                int(self._frames[index]) / self._rate_hz,
                int(self._channels[index]),
                float(self._values[index]),
                dict(zip(names, self._parts[index].tolist(), strict=True)),
            )
            for index in chosen
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
