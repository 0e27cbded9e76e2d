"""The drive: every level-dependent box fed as it is built for, or as far as its peaks allow, and matched behind."""

from gainlib.exercises.capstone.assignment import SILENT, box_name, session
from gainlib.exercises.capstone.measurements import figures_of
from gainlib.exercises.capstone.parts import Found
from gainlib.levels.printing import quantity

FED_DB, MATCH_DB, PEAK_MAX_DBFS = 1.0, 0.3, -3.0
_BINDS_DB = 0.005
WANTED = (
    "active level at the input of every level-dependent box within 1 dB of what it is built for, or its peaks within "
    "1 dB of −3 dBFS where they bind first; every bypass within 0.3 dB"
)


def look(answer: dict, given: dict) -> list[Found]:
    """Return what is found at the input and behind every level-dependent box, strip by strip, from the left.

    Parameters
    ----------
    answer : dict
        Controls.
    given : dict
        The variant.

    Returns
    -------
    list of Found
    """
    figures, found = figures_of(answer, given), []
    for strip in session(given).strips:
        for number, insert in enumerate(strip.inserts, start=1):
            if strip.name != SILENT and not insert.processor.linear:
                name = box_name(strip.name, number)
                found.append(fed(name, figures.levels[f"{strip.name}/insert {number}/in"], insert.processor))
                found.append(matched(name, *bypass_and_active(figures, strip.name, number)))
    return found


def wanted_shift_db(level, reference_dbfs: float) -> tuple[float, bool]:
    """Return by how much a box should be fed hotter, and whether its peaks decide.

    Parameters
    ----------
    level : NodeReading
        At its input.
    reference_dbfs : float
        What it is built for.

    Returns
    -------
    shift_db : float
        The smaller of reference minus average, and highest peak allowed minus peak.
    by_peaks : bool
    """
    by_average, by_peak = reference_dbfs - level.active_dbfs, PEAK_MAX_DBFS - level.clear_peak_dbfs
    return min(by_average, by_peak), by_peak < by_average - _BINDS_DB


def fed(name: str, level, processor) -> Found:
    """Return how a box is fed."""
    shift, by_peaks = wanted_shift_db(level, processor.reference_dbfs)
    shown, centre = (
        (level.clear_peak_dbfs, PEAK_MAX_DBFS) if by_peaks else (level.active_dbfs, processor.reference_dbfs)
    )
    what = "peaks at its input" if by_peaks else "active level at its input"
    said = f"{name}: {what} {quantity(shown, 'dBFS', 1)}, wanted {quantity(centre, 'dBFS', 1)} ± {FED_DB:g} dB"
    said += " (the peaks bind, not the average)" if by_peaks else ""
    if abs(shift) <= FED_DB:
        return Found(True, said)
    return Found(False, f"{said}, {quantity(abs(shift), 'dB', 1)} too {'soft' if shift > 0 else 'hot'}")


def bypass_and_active(figures, owner: str, number: int) -> tuple[float, float]:
    """Return the energy ahead of a box, which its bypass would pass on, and behind it."""
    ahead = f"{owner}/trim" if number == 1 else f"{owner}/insert {number - 1}/out"
    return figures.energy(ahead), figures.energy(f"{owner}/insert {number}/out")


def matched(name: str, bypass_dbfs: float, active_dbfs: float) -> Found:
    """Return how a box compares with its bypass."""
    off = active_dbfs - bypass_dbfs
    said = f"{name}: {quantity(abs(off), 'dB', 2)} {'louder' if off >= 0 else 'softer'} than its bypass"
    return Found(abs(off) <= MATCH_DB, f"{said}, wanted within {MATCH_DB:g} dB")
