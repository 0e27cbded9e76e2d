"""Boxes × what befalls a recording: every verdict and reference right, or "cannot tell" with a reason; never wrong.

The whole matrix with --all, as ``benchmarks/roundtrip.py`` prints it; a choice of it by day, one box in each way.
"""

import pytest
from daily import rest
from roundtrips import BOXES, ON_THE_WAY, trial

ALL = "all together"
PAIRS = [  # the ten of every day
    ("bell +6 dB", "as it is"), ("wire", "50 ppm"), ("delay", "37 ms"), ("slow tremolo", "+3 dB"),
    ("compressor, small knee", "−3 dB"), ("tremolo", "inverted"), ("clip −12", "16-bit word"), ("wire", "noise −70"),
    ("limiter −15", "coder"), ("tape", ALL),
]  # fmt: skip
OTHERS = [(name, way) for name in BOXES for way in ON_THE_WAY if (name, way) not in PAIRS]
BEHIND_A_CODER = ("wire", "bell +6 dB", "high-pass", "delay", "polarity", "DC block", "room", "hiss", "dithered 16 bit")
STILL_OPEN = {  # cannot be told apart so far; a tenth of the matrix at most
    *((name, way) for name in BEHIND_A_CODER for way in ("coder", ALL)), ("slow tremolo", "coder"),
    *(("slight saturation", way) for way in ("coder", ALL)), *(("16 bit", way) for way in ("noise −70", "coder", ALL)),
    ("12 bit", ALL), *(("stage near its rail", way) for way in ("coder", ALL)),
}  # fmt: skip
SURE = {
    ("bell +6 dB", "as it is"): "linear",
    ("wire", "noise −70"): "linear as far as the recording shows",
    ("wire", "16-bit word"): "linear but for rounding",
    ("16 bit", "as it is"): "linear but for rounding",
    ("clip −12", "coder"): "level-dependent",
    ("wire", "50 ppm"): "linear",
    ("delay", "37 ms"): "linear",
    ("tremolo", ALL): "linear, time-varying",
    ("slow tremolo", "+3 dB"): "linear, time-varying",
    ("slow tremolo", "noise −70"): "linear, time-varying",
    ("limiter −15", "coder"): "linear up to a level",
    ("compressor, corner", ALL): "linear up to a level",
    ("clip −12", "16-bit word"): "linear up to a level",
    ("compressor, small knee", "−3 dB"): "nonlinear",
    ("saturation", ALL): "nonlinear",
    ("tape", ALL): "nonlinear",
    ("gate", "16-bit word"): "nonlinear",
}


def test_every_way_is_tried_daily_and_little_is_left_open():
    assert {way for _, way in PAIRS} == set(ON_THE_WAY)
    assert {name for name, _ in STILL_OPEN} <= set(BOXES) and set(SURE) <= {*PAIRS, *OTHERS}
    assert len(STILL_OPEN) <= 0.1 * len(BOXES) * len(ON_THE_WAY)


@pytest.mark.parametrize(("name", "way"), [*PAIRS, *(rest(*pair) for pair in OTHERS)], ids=lambda text: text)
def test_right_or_cannot_tell(name, way):
    row = trial(name, way)
    assert row.kind != "wrong" and row.reference in ("right", "open"), row.report.sentence
    if row.kind == "open":
        assert (name, way) in STILL_OPEN, row.report.sentence
        assert row.report.reason.startswith("The recording does not show it: ")
    if (name, way) in SURE:  # not by never daring to say anything
        assert row.report.kind == SURE[name, way]
    if way == ALL:
        late = 0.037 + getattr(BOXES[name], "time_s", 0.0)
        assert row.report.offset_s == pytest.approx(late, abs=3e-4)  # boxes turn the phase as well
        assert row.report.rate_error_ppm == pytest.approx(50.0, abs=0.2)
