"""Exercises whose controls are set by hand on the desk, rendered and measured.

From an experiment, the controls that count, and what is wanted of the outcome follow the answer's JSON, the table of
bands on the desk, points per check, direction and distance in the feedback, and a solver that proves a variant
feasible. What the desk shows and what is marked is one and the same run.
"""

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from gainlib.audio import GainlibError
from gainlib.exercises.experiment import Choice, Experiment, Kept, Mixer, Run, Setting, Slider, Trims
from gainlib.exercises.model import Slip
from gainlib.exercises.practical import Aim, Control, State, answer_from
from gainlib.words import Table, level_text

DESK = "desk"
_KEPT = Kept(12)
_TRIES, _MARGIN, _STEP, _FAR, _SWITCH = 6, 0.4, 0.002, 100.0, 3


@dataclass(frozen=True)
class SetAndMeasure:
    """Controls to be set so that what is measured meets its aims.

    Parameters
    ----------
    experiment : callable
        ``experiment(given)`` returns the experiment of a variant, its controls as they are found.
    places : mapping of str to (str, str), or callable
        Where each control that counts stands in the answer, by its name in the setting: target and name. A mixer's
        faders and a column of trims go to ``(None, "fader_db")``: every strip is its own target. ``places(given)``
        where that is drawn; None for all sliders, each by its own name under the target "desk".
    aims : tuple of Aim
        What is wanted.
    label : str
        What is asked for.
    points : float
        Of the whole.
    shown : callable or None
        ``shown(run)`` returns further rows of the desk's table: name, value, "–".
    tabled : callable or None
        ``tabled(run, given)`` returns the desk's table, where one row an aim would be too many.

    Examples
    --------
    >>> from gainlib.exercises.experiment import Experiment, Slider
    >>> def doubling(given):
    ...     return Experiment((Slider("x_db", "Gain", -20, 20, start=9.0),), (), read=lambda run: 2 * run.setting.x_db)
    >>> task = SetAndMeasure(doubling, {"x_db": ("box", "gain_db")}, (Aim("level", lambda run: run.seen, 6.0, 0.5),))
    >>> task.missed(task.solve({}), {})
    [0.0]
    >>> task.part().judge({"box": {"gain_db": 4.0}}, None, {}, []).feedback
    'Level: 8.0 dB is 1.5 dB too high; aim for 5.5 to 6.5 dB'
    """

    experiment: Callable[[dict], Experiment]
    places: Mapping[str, tuple[str | None, str]] | Callable[[dict], Mapping[str, tuple[str | None, str]]] | None
    aims: tuple[Aim, ...]
    label: str = ""
    points: float = 1.0
    shown: Callable[[Run], tuple] | None = None
    tabled: Callable[[Run, dict], Table] | None = None

    # ---- the experiment of a variant -------------------------------------------------------------------------------

    def of(self, given: dict) -> Experiment:
        """Return the experiment of a variant; of all tasks together the last few are kept, for they hold audio."""
        key = self.experiment, json.dumps(given, sort_keys=True, default=str)
        return _KEPT.get(key, lambda: self.experiment(given))

    def _placed(self, given):
        if self.places is None:
            return {each.name: (DESK, each.name) for each in self.of(given).controls if isinstance(each, Slider)}
        return self.places(given) if callable(self.places) else self.places

    def run(self, answer: dict, given: dict) -> Run:
        """Return the run of an answer."""
        experiment = self.of(given)
        return experiment.at(experiment.start.with_(**self.values(answer, given)))

    def values(self, answer: dict, given: dict) -> dict[str, Any]:
        """Return an answer's values by the names of the setting; what it leaves out stays as found."""
        start, values = self.of(given).start, {}
        for name, (target, control) in self._placed(given).items():
            if target is None:
                faders = start[name]
                values[name] = {each: _level(answer.get(each, {}).get(control, was)) for each, was in faders.items()}
            else:
                values[name] = answer.get(target, {}).get(control, start[name])
        return values

    def answer(self, setting: Setting, given: dict) -> dict:
        """Return a setting as the answer's JSON."""
        answer: dict = {}
        for name, (target, control) in self._placed(given).items():
            entries = setting[name].items() if target is None else ((target, setting[name]),)
            for each, value in entries:
                answer.setdefault(each, {})[control] = "-inf" if value == -math.inf else value
        return answer

    def moved(self, given: dict, **values: float) -> dict:
        """Return the answer with some controls moved from where they are found, to the hundredth."""
        return self.answer(self.of(given).start.with_(**{name: round(v, 2) for name, v in values.items()}), given)

    def found(self, given: dict) -> dict:
        """Return the answer that leaves everything as it is found."""
        return self.answer(self.of(given).start, given)

    def untouched(self, setting: Setting, given: dict) -> bool:
        """Whether no control that counts was moved."""
        return self.answer(setting, given) == self.found(given)

    def controls(self, given: dict) -> tuple[Control, ...]:
        """Return the controls that count, as they are found."""
        found, by_name = [], {each.name: each for each in self.of(given).controls}
        for name, (target, control) in self._placed(given).items():
            own = by_name[name]
            if isinstance(own, Mixer | Trims):
                ends = own.low_db, own.high_db
                found += [Control(n, control, v, *ends) for n, v in zip(own.names, own.start, strict=True)]
            elif isinstance(own, Choice):
                raise GainlibError(f"{own.label} is a choice; only numbers are set and measured")
            else:
                found.append(Control(target, control, own.start, own.low, own.high, own.unit))
        return tuple(found)

    # ---- marking ---------------------------------------------------------------------------------------------------

    def part(self, *, sessions: bool = False) -> State:
        """Return the part of an exercise; with `sessions` a whole session in JSON is an answer as well.

        For that the places have to be those of :mod:`gainlib.exercises.practical`.
        """
        return State(
            self.label,
            points=self.points,
            aims=self.aims,
            controls=self.controls,
            run=self.run,
            from_session=self._from_session if sessions else None,
        )

    def _from_session(self, document, given):
        experiment = self.of(given)
        return answer_from(document, experiment.at(experiment.start).session, self.controls(given))

    def spots(self, *met: bool | None) -> Callable[[dict, dict], bool]:
        """Return what recognises a mistake by which aims it meets and which it misses; None stands for either."""

        def spots(answer, given):
            missed = self.missed(answer, given)
            return all(want is None or want == (miss == 0.0) for want, miss in zip(met, missed, strict=True))

        return spots

    def slip(
        self, name: str, values: Callable[[dict], dict], sentence: str, *seen_by: str, within: float, beside: int = 0,
        active: Callable[[dict], bool] = lambda given: True,
    ) -> Slip:  # fmt: skip
        """Return the mistake of setting sliders to ``values(given)``, where these are within reach.

        It is recognised by the controls of `seen_by`, by all of them where none is named; `beside` is how many more
        parts the exercise has, behind the desk's own.
        """

        def reached(given):
            wanted = values(given)
            moved = (each for each in self.of(given).controls if each.name in wanted)
            return active(given) and all(each.low <= wanted[each.name] <= each.high for each in moved)

        def answer(given):
            moved = self.moved(given, **values(given))
            return [moved, *[None] * beside] if beside else moved

        def spots(answer, given):
            wanted, places, set_so = values(given), self._placed(given), answer[0] if beside else answer
            looked_at = ((wanted[name], *places[name]) for name in seen_by or wanted)
            return set_so is not None and all(abs(set_so[t][c] - value) <= within for value, t, c in looked_at)

        return Slip(name, answer, sentence, reached, spots)

    def table(self, run: Run, given: dict) -> Table:
        """Return what is measured and what is wanted, as the desk shows it."""
        if self.tabled is not None:
            return self.tabled(run, given)
        rows = []
        for aim in self.aims:
            value = aim.value(run)
            shown = level_text(value, aim.unit, max(aim.decimals, 2) if aim.decimals else 0, signed=aim.decimals > 0)
            rows.append((aim.name, shown, aim.wanted(given)))
        rows += self.shown(run) if self.shown else ()
        return Table("Result", ("reading", "measured", "wanted"), tuple(rows))

    # ---- proving that a variant can be met -------------------------------------------------------------------------

    def missed(self, answer: dict, given: dict, margin: float = 0.0) -> list[float]:
        """Return by how much an answer misses each aim, 0 where it is met with that share of the band to spare."""
        run, misses = self.run(answer, given), []
        for aim in self.aims:
            value, (low, high) = aim.value(run), aim.limits(given)
            width = high - low if math.isfinite(high - low) else 1.0
            if value is None or math.isinf(value):
                value = _FAR if value == math.inf else -_FAR
            misses.append(max(value - (high - margin * width / 2), 0.0) - max(low + margin * width / 2 - value, 0.0))
        return misses

    def solve(self, given: dict) -> dict:
        """Return an answer that meets every aim, found by trying; for exercises without a closed way."""
        from scipy.optimize import least_squares

        places, switches = self._places(given), self._switches(given)
        low, high, start = (np.array(column, float) for column in zip(*(each[2:] for each in places), strict=True))

        for attempt, switched in product(range(_TRIES), product(*switches.values())):
            set_so = dict(zip(switches, switched, strict=True))

            def answer_at(share, set_so=set_so):
                return self._answer_at(places, np.round(low + (share - 1.0) * (high - low), 2), given, set_so)

            # from where it is found, then from ever nearer the middle; shares run from 1 to 2, so that the steps by
            # which the slope is felt are as many decibels everywhere
            begin = 1.0 + (start + attempt / _TRIES * ((low + high) / 2 - start) - low) / (high - low)
            found = least_squares(
                lambda share, answer_at=answer_at: self.missed(answer_at(share), given, _MARGIN),
                np.clip(begin, 1.0 + 1e-6, 2.0 - 1e-6),
                bounds=(1.0, 2.0),
                diff_step=_STEP,
                max_nfev=60,
            )
            answer = answer_at(found.x)
            if not any(self.missed(answer, given)):
                return answer
        raise GainlibError(f"no setting was found that meets {', '.join(aim.name for aim in self.aims)}")

    def _switches(self, given):
        """Return the steps of what has only a few, such as polarity: each is tried."""
        sliders = [each for each in self.of(given).controls if each.name in self._placed(given)]
        return {each.name: each.steps for each in sliders if 0 < len(getattr(each, "steps", ())) <= _SWITCH}

    def _places(self, given):
        """Return (name, strip or None, low, high, start) of every number that counts but for switches."""
        experiment, found = self.of(given), []
        by_name = {each.name: each for each in experiment.controls}
        switches = self._switches(given)
        for name, (target, _) in self._placed(given).items():
            own = by_name[name]
            if name in switches:
                continue
            if target is None:
                low = max(own.low_db, -40.0)
                starts = experiment.start[name].items()
                found += [(name, strip, low, own.high_db, max(value, low)) for strip, value in starts]
            else:
                found.append((name, None, own.low, own.high, own.start))
        return found

    def _answer_at(self, places, values, given, switched):
        start, wanted = self.of(given).start, dict(switched)
        for (name, strip, *_), value in zip(places, values, strict=True):
            if strip is None:
                wanted[name] = float(value)
            else:
                wanted.setdefault(name, dict(start[name]))[strip] = float(value)
        return self.answer(start.with_(**wanted), given)


def _level(value):
    return -math.inf if value == "-inf" else value
