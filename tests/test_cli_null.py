"""The command line's ``null``: what it prints, writes and returns, against what was done to the second print."""

import csv
import json
import math

import numpy as np
import pytest
from scipy import signal

from gainlib.__main__ import main
from gainlib.audio import Audio, write

RATE_HZ = 48000


def run(*arguments):
    """Run in this process and return the exit code, also where argparse ends it."""
    try:
        return main([str(word) for word in arguments])
    except SystemExit as end:
        return end.code


@pytest.fixture(scope="module")
def prints(tmp_path_factory):
    """Made-up music of four seconds, and prints of it that differ in known ways."""
    folder = tmp_path_factory.mktemp("prints")
    noise = np.random.default_rng(4).standard_normal((4 * RATE_HZ, 2))
    sos = signal.butter(6, [60, 16000], "bandpass", fs=RATE_HZ, output="sos")
    music = 0.1 * signal.sosfiltfilt(sos, noise, axis=0)
    made = {
        "a": music,
        "softer": music * 10 ** (-1 / 20),
        "inverted and late": np.pad(-music, ((4800, 0), (0, 0))),
        "mono": music[:, :1],
        "swapped": music[:, ::-1],
        "short": music[:RATE_HZ],
        "silent": 0.0 * music,
    }
    for name, samples in made.items():
        write(folder / f"{name}.wav", Audio(samples, RATE_HZ), "DOUBLE")
    write(folder / "other rate.wav", Audio(music, 44100), "DOUBLE")
    return folder


def found(prints, tmp_path, second, *options):
    """As the version before wrote it, which is still read; the document of today is tried with all verbs."""
    assert run("null", prints / "a.wav", prints / f"{second}.wav", "--json", tmp_path / "n.json", *options) == 0
    return json.loads((tmp_path / "n.json").read_text(encoding="utf-8"))


def test_identical_prints_leave_nothing(prints, tmp_path, capsys):
    report = found(prints, tmp_path, "a", "--csv", tmp_path / "n.csv")
    assert report["depth_db"] == report["raw_depth_db"] == report["residual_dbfs"] == "-inf"
    out, err = capsys.readouterr()
    assert err.startswith("--json F is called --json > F now")
    said = " ".join(out.split())
    assert "what remains is nothing; the two prints are the same for every practical purpose." in said
    assert "B starts with A, runs at its speed, is not inverted and is at its level. Before alignment, nothing " in said
    assert "nothing remained. Compared: 4.00 s." in said and "nothing dB" not in said
    with (tmp_path / "n.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows[0] == {"octave_hz": "all", "residual_db": "-inf"} and len(rows) == 11


def test_a_level_is_matched_or_left_as_asked(prints, tmp_path):
    """A gain error of g dB leaves 20·log10|1 − 10^(g/20)|."""
    left = found(prints, tmp_path, "softer", "--match", "none")
    assert left["matched"] is False
    assert left["depth_db"] == pytest.approx(20 * math.log10(1 - 10 ** (-1 / 20)), abs=0.001)
    matched = found(prints, tmp_path, "softer")
    assert matched["gain_db"] == pytest.approx(-1.0, abs=1e-6) and matched["depth_db"] < -200


def test_time_and_polarity_are_found(prints, tmp_path, capsys):
    report = found(prints, tmp_path, "inverted and late")
    assert (report["offset_s"], report["polarity"], report["drift_ppm"]) == (0.1, -1, 0.0)
    assert "B starts 100.000 ms after A" in " ".join(capsys.readouterr().out.split())
    assert run("null", prints / "a.wav", prints / "inverted and late.wav", "--max-offset", 0.05) == 1
    assert "nothing in common" in capsys.readouterr().err
    assert run("null", prints / "a.wav", prints / "inverted and late.wav", "--reach", 0.05) == 1
    assert "--reach 0.05 is called --max-offset 0.05 now" in capsys.readouterr().err


def test_what_was_not_compared_is_told(prints, tmp_path, capsys):
    report = found(prints, tmp_path, "short")
    assert (report["compared_s"], report["left_out_s"], report["depth_db"]) == (1.0, [3.0, 0.0], "-inf")
    said = " ".join(capsys.readouterr().out.split())
    assert "Compared: 1.00 s, but not 3.00 s of A." in said and "does not prove that the prints are the same" in said


def test_no_level_where_nothing_is_in_common(prints, tmp_path, capsys):
    report = found(prints, tmp_path, "swapped")
    assert report["gain_db"] is None and report["alike"] is False
    said = " ".join(capsys.readouterr().out.split())
    assert "next to nothing in common" in said and "stands" not in said and "inverted" not in said


@pytest.mark.parametrize(
    ("second", "said"),
    [("mono", "channels"), ("silent", "is silent"), ("other rate", "print both at one rate"), ("gone", "no such file")],
)
def test_what_cannot_be_compared(prints, second, said, capsys):
    assert run("null", prints / "a.wav", prints / f"{second}.wav") == 1
    err = capsys.readouterr().err
    assert said in err and err.count("\n") == 1


def test_wrong_use(prints, capsys):
    a = prints / "a.wav"
    assert run("null", a) == run("null", a, a, "--match", "ear") == run("null", a, a, "--max-offset", "far") == 2
    assert run("null", a, a, "--csv", prints / "mono.wav") == 2
    capsys.readouterr()
    assert run("null", "--help") == 0
    out = capsys.readouterr().out
    assert all(
        word in out for word in ("A", "B", "--match", "--max-offset", "--csv", "--json", "exit code", "shows only")
    )
