"""Where the controls of an experiment stand, as JSON to be kept, and back as far as it still fits."""

import logging
import math
from typing import Any

from gainlib.audio import GainlibError
from gainlib.exercises.experiment import Again, Choice, Experiment, Mixer, Setting, Slider, Text, Trims
from gainlib.notebook.fader import LOWEST_DB

MOST_PRESSES, LONGEST_TEXT, TOP_DB = 1_000_000, 20_000, 40.0
log = logging.getLogger(__name__)


def as_json(experiment: Experiment, setting: Setting) -> dict:
    """Return a setting as JSON: levels that are silent as "-inf", what is chosen by the word for it in Python."""
    choices = {each.name for each in experiment.controls if isinstance(each, Choice)}
    return {name: str(value) if name in choices else _plain(value) for name, value in setting.items()}


def _plain(value):
    if isinstance(value, dict):
        return {name: _plain(each) for name, each in value.items()}
    if isinstance(value, tuple | list):
        return list(value)
    return "-inf" if value == -math.inf else value


def setting_of(experiment: Experiment, kept: Any) -> Setting:
    """Return the setting that was kept; a control whose value does not fit any more stands at its start."""
    kept, values = kept if isinstance(kept, dict) else {}, {}
    for control in experiment.controls:
        if control.name not in kept:
            continue
        try:
            values |= _values(control, kept)
        except (GainlibError, TypeError, ValueError, KeyError, AttributeError) as problem:
            log.warning("%s is back at its start: what was kept does not fit (%s)", control.label, problem)
    return experiment.start.with_(**values)


def _values(control, kept):
    value = kept[control.name]
    if isinstance(control, Slider):
        return {control.name: control.checked(value)}
    if isinstance(control, Choice):
        return {control.name: {str(each): each for each in control.options}[value]}
    if isinstance(control, Again):
        return {control.name: _whole(value, control.start)}
    if isinstance(control, Text):
        return {control.name: value[:LONGEST_TEXT] + ""}
    if isinstance(control, Trims):
        return {control.name: _levels(control, value, control.low_db, control.high_db)}
    return {control.name: _levels(control, value, LOWEST_DB, TOP_DB)} | _buttons(control, kept)


def _whole(value, low):
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= MOST_PRESSES:
        raise ValueError(f"{value!r} is not a count")
    return value


def _levels(control, kept, low, high):
    if set(kept) != set(control.names):
        raise ValueError(f"other names: {', '.join(kept)}")
    closes = isinstance(control, Mixer)
    levels = {name: -math.inf if closes and kept[name] == "-inf" else float(kept[name]) for name in control.names}
    for name, db in levels.items():
        if not (low <= db <= high or (closes and db == -math.inf)):
            raise ValueError(f"{name}: {db} dB")
    return levels


def _buttons(mixer, kept):
    """Return which strips are muted and soloed."""
    return {option: tuple(name for name in mixer.names if name in kept.get(option, ())) for option in mixer.options}
