"""Boxes × what befalls a recording: every verdict and reference right, or "cannot tell" with a reason; never wrong.

A choice of the matrix that ``benchmarks/roundtrip.py`` prints in full: each box once as it is or in one way, most of
them in all ways together.
"""

import pytest
from daily import rest
from roundtrips import BOXES, ON_THE_WAY, trial

ALL = "all together"
BY_DAY = 10
PAIRS = [  # the first ten, one in each way, are tried every day
    ("bell +6 dB", "as it is"), ("wire", "50 ppm"), ("delay", "37 ms"), ("slow tremolo", "+3 dB"),
    ("compressor, small knee", "−3 dB"), ("tremolo", "inverted"), ("clip −12", "16-bit word"), ("16 bit", "noise −70"),
    ("limiter −15", "coder"), ("tape", ALL),
    ("bell +6 dB", "noise −70"), ("bell +6 dB", ALL), ("polarity", "16-bit word"), ("high-pass", "coder"),
    ("room", "as it is"), ("tremolo", ALL), ("hiss", "as it is"), ("16 bit", "as it is"), ("16 bit", ALL),
    ("12 bit", "coder"), ("clip −12", ALL), ("compressor, corner", "noise −70"), ("compressor, corner", ALL),
    ("compressor, knee", "coder"), ("saturation", "as it is"), ("saturation", ALL), ("gentle saturation", "50 ppm"),
    ("slight saturation", "coder"), ("asymmetric", "noise −70"), ("stage near its rail", "as it is"),
    ("gate", "16-bit word"),
]  # fmt: skip
SURE = {
    ("bell +6 dB", "as it is"): "linear",
    ("wire", "50 ppm"): "linear",
    ("delay", "37 ms"): "linear",
    ("tremolo", ALL): "linear, time-varying",
    ("limiter −15", "coder"): "linear up to a level",
    ("compressor, corner", ALL): "linear up to a level",
    ("clip −12", "16-bit word"): "linear up to a level",
    ("compressor, small knee", "−3 dB"): "nonlinear",
    ("saturation", ALL): "nonlinear",
    ("tape", ALL): "nonlinear",
    ("gate", "16-bit word"): "nonlinear",
}


def test_the_choice_has_every_way_and_enough_boxes():
    assert {way for _, way in PAIRS[:BY_DAY]} == set(ON_THE_WAY)
    assert len({name for name, _ in PAIRS}) >= 10 and set(SURE) <= set(PAIRS)
    assert {name for name, _ in PAIRS} <= set(BOXES)


@pytest.mark.parametrize(
    ("name", "way"), [*PAIRS[:BY_DAY], *(rest(*pair) for pair in PAIRS[BY_DAY:])], ids=lambda text: text
)
def test_right_or_cannot_tell(name, way):
    row = trial(name, way)
    assert row.kind in ("right", "open") and row.reference in ("right", "open"), row.report.sentence
    if row.kind == "open":
        assert (
            row.report.reason.startswith("The recording does not show it: ")
            or ". The recording does not show whether " in row.report.reason
        )
    if (name, way) in SURE:  # not by never daring to say anything
        assert row.report.kind == SURE[name, way]
    if way == ALL:
        assert row.report.offset_s == pytest.approx(0.037, abs=3e-4)  # boxes turn the phase as well
        assert row.report.rate_error_ppm == pytest.approx(50.0, abs=0.2)
