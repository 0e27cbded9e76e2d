"""The hand-over: the bus in its window, the mix as a file of 24 bit, and stems that add up to it.

What counts is measured on a render of the controls handed in. The file itself is measured once, where it was written;
the answer holds what was measured and its checksum, never its place, and is held against that render: a file that is
not the mix of these controls does not count, and marking again next year opens no file.
"""

import re
from dataclasses import dataclass
from typing import Any, ClassVar

from gainlib.exercises.capstone.assignment import session, short_name
from gainlib.exercises.capstone.measurements import Figures, figures_of
from gainlib.exercises.capstone.parts import Beside, Found
from gainlib.exercises.model import Judgement, Probes
from gainlib.exercises.text import Unreadable, describe, parse_number
from gainlib.levels.printing import number, quantity

LOW_DBTP, HIGH_DBTP, NULL_DB = -6.5, -6.0, -90.0
FILE_DB = 0.05
BITS = 24
_BUS_SHARE = 2 / 3
_SUM = re.compile(r"[0-9a-f]{64}")
WANTED = "bus −6.5 to −6.0 dBTP; mix and stems of 24 bit that leave less than −90 dB when subtracted"
FACTS = ("bits", "frames", "true_peak_dbtp", "rms_dbfs", "null_db", "sha256")


def bus(figures: Figures) -> list[Found]:
    """Return what is found of the bus."""
    peak = figures.bus.true_peak_dbtp
    said = f"bus {quantity(peak, 'dBTP', 2)}, wanted {number(LOW_DBTP, 1)} to {quantity(HIGH_DBTP, 'dBTP', 1)}"
    if figures.over_samples:
        count = "1 sample is" if figures.over_samples == 1 else f"{figures.over_samples} samples are"
        said += f"; it clips: {count} over full scale, and a file of 24 bit cuts off what is over"
    off = max(LOW_DBTP - peak, peak - HIGH_DBTP)
    if off > 0:
        said += f", {quantity(off, 'dB', 2)} too {'hot' if peak > HIGH_DBTP else 'low'}"
    return [Found(off <= 0 and not figures.over_samples, said)]


def stems(figures: Figures) -> list[Found]:
    """Return whether the parts of the mix fit into files of 24 bit and add up to it."""
    part, peak = short_name(figures.loudest_part), figures.part_peak_dbfs
    fits = f"{part}: its part of the mix peaks at {quantity(peak, 'dBFS', 1, signed=True)}"
    null = (
        f"stems against the mix: {quantity(figures.null_db, 'dB', 0)} left, wanted below {quantity(NULL_DB, 'dB', 0)}"
    )
    return [
        Found(peak <= 0.0, f"{fits}, wanted at most 0 dBFS, since a file of 24 bit cuts off what is over"),
        Found(figures.null_db < NULL_DB, null),
    ]


def export(facts: dict, figures: Figures, frames: int) -> list[Found]:
    """Return whether a file that was measured is the mix of these controls.

    Parameters
    ----------
    facts : dict
        What was measured on it, see ``FACTS``.
    figures : Figures
        Of the session with the controls handed in.
    frames : int
        Length of the session.

    Returns
    -------
    list of Found
    """
    found = [
        Found(facts["bits"] == BITS, f"the file has {facts['bits']} bit, wanted {BITS}"),
        Found(facts["frames"] == frames, f"the file has {facts['frames']} frames, wanted {frames}"),
        Found(
            facts["null_db"] < NULL_DB,
            f"the stems written leave {quantity(facts['null_db'], 'dB', 0)} of the mix, wanted below "
            f"{quantity(NULL_DB, 'dB', 0)}",
        ),
    ]
    for name, unit, value in (
        ("true_peak_dbtp", "dBTP", figures.bus.true_peak_dbtp),
        ("rms_dbfs", "dBFS", figures.bus.energy_dbfs),
    ):
        off = abs(facts[name] - value)
        said = f"the file reads {quantity(facts[name], unit, 2)}, these controls give {quantity(value, unit, 2)}"
        found.append(Found(off <= FILE_DB, f"{said}: it is the mix of other settings, so export again"))
    return found


def facts_of(figures: Figures, frames: int, sha256: str = "0" * 64) -> dict:
    """Return what is measured on the file that a render would be written to."""
    return {
        "bits": BITS,
        "frames": frames,
        "true_peak_dbtp": round(figures.bus.true_peak_dbtp, 3),
        "rms_dbfs": round(figures.bus.energy_dbfs, 3),
        "null_db": round(figures.null_db, 1),
        "sha256": sha256,
    }


@dataclass(frozen=True)
class HandedOver(Beside):
    """The controls, and what was measured on the exported mix and its stems.

    The bus counts two thirds; the export counts the rest, once the bus is right.
    """

    name: ClassVar[str] = "export"

    @property
    def band(self) -> str:
        """What is wanted."""
        return WANTED

    def read_more(self, entry: Any, given: dict) -> dict | None:
        """Return the facts of an export; None while there is none."""
        if entry is None:
            return None
        if not isinstance(entry, dict) or set(entry) != set(FACTS):
            raise Unreadable(
                f"Expected what was measured on the exported mix ({', '.join(FACTS)}), got {describe(entry)}."
            )
        if not isinstance(entry["sha256"], str) or not _SUM.fullmatch(entry["sha256"]):
            raise Unreadable("Expected the SHA-256 of the exported mix in 64 hexadecimal digits.")
        numbers = {name: parse_number(entry[name]) for name in FACTS if name != "sha256"}
        whole = {name: int(numbers[name]) for name in ("bits", "frames")}
        return {**numbers, **whole, "sha256": entry["sha256"]}

    def judge(self, value: dict, key: Any, given: dict, values: list) -> Judgement:
        """Return what is not as wanted."""
        figures = figures_of(value["controls"], given)
        failing = [found.said for found in (*bus(figures), *stems(figures)) if not found.passed]
        if failing:
            return Judgement(0.0, "; ".join(failing))
        said = bus(figures)[0].said
        if value["export"] is None:
            return Judgement(_BUS_SHARE, f"{said}; nothing exported yet, wanted the mix and its stems as files")
        wrong = [each.said for each in export(value["export"], figures, session(given).frames) if not each.passed]
        if wrong:
            return Judgement(_BUS_SHARE, f"{said}; {'; '.join(wrong)}")
        return Judgement(1.0, f"{said}; {stems(figures)[1].said}")

    def probes(self, key: Any, given: dict) -> Probes:
        """Another file, a word length, a sum that does not fit are not right; what is no measurement is not read."""
        facts = key["export"]
        paths = tuple(
            {**key, "export": bad} for bad in ("mix.wav", {**facts, "sha256": "mix.wav"}, {"file": "mix.wav"})
        )
        return Probes((key,), (), (*self.invalid(key), *paths, {**key, "export": {**facts, "bits": "many"}}))

    def show(self, value: dict, given: dict) -> str:
        """Return what the mix reads."""
        return bus(figures_of(value["controls"], given))[0].said
