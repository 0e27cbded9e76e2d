"""A fader somebody has measured: its points, and the law that comes nearest to them."""

from functools import lru_cache

import numpy as np

from gainlib.exercises.fader_fit import LaidLaw
from gainlib.exercises.practical import Control
from gainlib.exercises.text import fill
from gainlib.exercises.variants import grid, pick
from gainlib.session import LawFit, fit_law
from gainlib.session.fader import FaderLaw, steep_mm

RANGES = (
    Control("k", "exponent", 2.0, 0.5, 12.0, ""),
    Control("x₀", "unity_mm", 50.0, 10.0, 150.0, "mm"),
)
AROUND_MM = (14, 20, 28, 37, 48, 60, 73, 86, 98)
BESIDE_MM, READING_DB = grid(-2, 2), grid(-0.4, 0.4, 0.1)
EXPONENTS, UNITIES = grid(2.5, 4.5, 0.05), grid(60, 85)
SILENT = "-inf"
_OFF = 0.05


def draw(rng: np.random.Generator) -> dict:
    """Draw a law and read it at some positions, with the errors of somebody who reads a ruler and a meter."""
    law = FaderLaw(unity_mm=pick(rng, UNITIES.values), exponent=pick(rng, EXPONENTS.values))
    mm = [around + pick(rng, BESIDE_MM.values) for around in AROUND_MM]
    db = [round(law.db_at(each) + pick(rng, READING_DB.values), 1) + 0.0 for each in mm]
    return {"mm": [0, *mm], "db": [SILENT, *db]}


def points(given: dict) -> tuple[list, list]:
    """Return positions in mm and levels in dB, the bottom as −∞."""
    return given["mm"], [-np.inf if level == SILENT else level for level in given["db"]]


@lru_cache(maxsize=256)
def _fit(mm, db):
    return fit_law(mm, db)


def fit(given: dict) -> LawFit:
    """Return the law nearest to a variant's points."""
    mm, db = points(given)
    return _fit(tuple(mm), tuple(db))


LAW = LaidLaw("The law through the points", points=2, points_of=points, ranges=RANGES)


def steep(values: list, given: dict) -> float | None:
    """Return where a millimetre is a decibel on the law through the points handed in; None before there is one."""
    return None if values[0] is None else steep_mm(LAW.fit(values[0], given).exponent)


def answer(given: dict, exponent: float = 1.0, steep: float | None = 1.0) -> list:
    """Return an answer: the fitted law and where a millimetre is a decibel.

    Parameters
    ----------
    given : dict
        The variant.
    exponent : float
        What the right exponent is taken times.
    steep : float or None
        What the right position is taken times; None leaves that part open.
    """
    found = fit(given)
    law = {"exponent": round(exponent * found.exponent, 6), "unity_mm": round(found.unity_mm, 6)}
    return [{"law": law}, None if steep is None else round(steep * steep_mm(found.exponent), 6)]


def exponent_off_by(handed_in: list, given: dict, factor: float) -> bool:
    """Whether the exponent handed in is a factor off."""
    law = handed_in[0]
    return law is not None and abs(law["law"]["exponent"] / (factor * LAW.fit(law, given).exponent) - 1) <= _OFF


def steep_off_by(handed_in: list, given: dict, factor: float) -> bool:
    """Whether the position handed in is a factor off."""
    law, position = handed_in
    return position is not None and abs(position / (factor * steep_mm(LAW.fit(law, given).exponent)) - 1) <= _OFF


def derivation(given: dict) -> str:
    """Return how the law follows from the points, in Markdown."""
    found = fit(given)
    mm, db = points(given)
    rows = "\n".join(fill("| {mm} | {log:.4f} | {db:.1f} |", _row(x, y)) for x, y in zip(mm[1:], db[1:], strict=True))
    words = (
        "\n\nThe straight line through dB over log10 x rises by {slope:.2f} dB a decade; k = {slope:.2f}/20 = {k:.3f}. "
        "It crosses 0 dB at x₀ = {x0:.2f} mm. What is left over is {misfit:.2f} dB (root mean square). One millimetre "
        "is 1 dB at x = 8.686·k = {steep:.2f} mm, and more below."
    )
    values = {"slope": 20 * found.exponent, "k": found.exponent, "x0": found.unity_mm, "misfit": found.misfit_db}
    return f"| mm | log10 mm | dB |\n|---|---|---|\n{rows}" + fill(words, {**values, "steep": steep_mm(found.exponent)})


def _row(x, y):
    return {"mm": x, "log": float(np.log10(x)), "db": y}
