"""The command line's ``probe``: what it writes, prints and returns."""

import csv
import json
import math

import numpy as np
import pytest

from gainlib.__main__ import main
from gainlib.audio import Audio, AudioFile, read, write
from gainlib.boxes.probesignal import Layout
from gainlib.processors import Polarity, Saturation


def run(*arguments):
    """Run in this process and return the exit code, also where argparse ends it."""
    try:
        return main([str(word) for word in arguments])
    except SystemExit as end:
        return end.code


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A test file from the command line, and recordings of it."""
    folder = tmp_path_factory.mktemp("probe")
    assert run("probe", "write", folder / "probe.wav") == 0
    played = read(folder / "probe.wav")
    write(folder / "saturated.wav", Saturation().process(played))
    write(folder / "inverted.flac", Polarity().process(played))
    write(folder / "short.wav", played.with_samples(played.samples[: 30 * 48000]))
    return folder


def test_write_tells_to_turn_down_first(tmp_path, capsys):
    path = tmp_path / "probe.flac"
    assert run("probe", "write", path, "--rate", 44100, "--level", "−12") == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "before you play this file, disconnect speakers and headphones" in out
    assert "steady tones of −12 dBFS" in out and "manual" in out
    file = AudioFile(path)
    assert (file.rate_hz, file.channels, file.frames) == (44100, 1, Layout(44100, -12).frames)


def test_write_refuses(tmp_path, capsys):
    path = tmp_path / "probe.wav"
    assert run("probe", "write", path) == 0
    before = path.read_bytes()
    assert run("probe", "write", path) == 1
    assert "exists already; choose another name" in capsys.readouterr().err
    assert path.read_bytes() == before
    assert run("probe", "write", tmp_path / "a.wav", "--rate", 32000) == 1
    assert "write it at one of" in capsys.readouterr().err
    assert run("probe", "write", tmp_path / "a.wav", "--level", 3) == 1
    assert "give -30 to 0 dBFS" in capsys.readouterr().err
    for wrong in (("--rate", "fast"), ("--level", "loud"), ("--csv", "x")):
        assert run("probe", "write", tmp_path / "a.wav", *wrong) == 2
    assert list(tmp_path.iterdir()) == [path]


def test_read_prints_a_table_and_a_verdict(files, capsys):
    assert run("probe", "read", files / "saturated.wav") == 0
    out = capsys.readouterr().out
    assert "its input level matters" in " ".join(out.split())
    rows = [line.split() for line in out.splitlines() if line.startswith("−18 ")]
    assert [float(cell.replace("−", "-")) for cell in rows[0][:3]] == pytest.approx([-18, -0.26, 1.0], abs=0.01)


def test_read_writes_csv_and_json(files, tmp_path):
    assert (
        run("probe", "read", files / "inverted.flac", "--csv", tmp_path / "a.csv", "--json", tmp_path / "a.json") == 0
    )
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["level_dbfs"]) for row in rows] == list(Layout().levels_dbfs)
    assert all(row["thd_percent"] == "" for row in rows)  # none stands out
    np.testing.assert_allclose([float(row["gain_db"]) for row in rows], 0.0, atol=1e-3)
    found = json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))
    assert (found["linear"], found["kind"], found["polarity"]) == (True, "linear", -1)
    assert found["reference_dbfs"] is None and found["noise_dbfs"] == "-inf"
    assert found["curve"][0]["thd_percent"] is None and len(found["curve"]) == len(rows)
    assert math.isclose(found["rate_error_ppm"], 0.0)


def test_read_compares_with_what_was_played(files, tmp_path, capsys):
    assert run("probe", "read", files / "inverted.flac", "--probe", files / "probe.wav") == 0
    assert run("probe", "write", tmp_path / "softer.wav", "--level", -18) == 0
    capsys.readouterr()
    assert run("probe", "read", files / "inverted.flac", "--probe", tmp_path / "softer.wav") == 1
    assert "give the test file that was played" in capsys.readouterr().err


def test_read_refuses(files, tmp_path, capsys):
    assert run("probe", "read", files / "short.wav") == 1
    err = capsys.readouterr().err
    assert (
        "short.wav" in err
        and "are missing, or the box changes them" in err
        and "; record the whole test file" in err
        and err.count("\n") == 1
    )
    assert run("probe", "read", tmp_path / "none.wav") == 1
    assert "no such file" in capsys.readouterr().err
    assert run("probe", "read", files / "inverted.flac", "--csv", files / "probe.wav") == 2
    assert "is a sound file by its name" in capsys.readouterr().err
    assert run("probe", "read", files / "inverted.flac", "--json", tmp_path / "no" / "a.json") == 2
    assert "does not exist; make it first" in capsys.readouterr().err
    both = tmp_path / "a.json"
    assert run("probe", "read", files / "inverted.flac", "--csv", both, "--json", tmp_path / "." / "a.json") == 2
    assert "is named twice" in capsys.readouterr().err and not both.exists()
    assert run("probe") == 2
    assert run("probe", "read") == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("probe",), ("write", "read", "exit code", "manual")),
        (("probe", "write"), ("FILE", "--rate", "--level")),
        (("probe", "read"), ("FILE", "--probe", "--csv", "--json")),
    ],
)
def test_help_is_complete(words, told, capsys):
    assert run(*words, "--help") == 0
    out = capsys.readouterr().out
    assert all(word in out for word in told)


def test_a_box_is_read_once_by_name_and_a_plan_knows_it(files, tmp_path, capsys):
    rack, stems = tmp_path / "rack.json", tmp_path / "stems"
    assert run("probe", "read", files / "saturated.wav", "--name", "opto", "--rack", rack) == 0
    assert "In your rack as opto: " in capsys.readouterr().out
    stems.mkdir()
    noise = np.random.default_rng(1).standard_normal((48000, 1)) * 0.02
    write(stems / "bass.wav", Audio(noise, 48000), "FLOAT")
    chains = tmp_path / "chains.toml"
    chains.write_text('[stems.bass]\ninserts = [{box = "black box", name = "Opto"}]', encoding="utf-8")
    assert run("plan", stems, "--chains", chains, "--rack", rack, "-q") == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "opto: as measured, from your rack" in out and "built for −18.0 dBFS; its output wants +0.5 dB there" in out
    assert "Verified. A full render keeps" in out
    rack.write_text("{", encoding="utf-8")
    assert run("plan", stems, "--chains", chains, "--rack", rack, "-q") == 1
    assert "rack.json does not hold a rack of boxes" in capsys.readouterr().err
