"""The command line: what `measure` prints, writes and returns, and how `labs` starts."""

import csv
import errno
import hashlib
import math
import os
import re
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pyebur128
import pytest
import soundfile
from rich.cells import cell_len
from terminal import interrupted

import gainlib
from gainlib.__main__ import main
from gainlib.audio import Audio, AudioFile, read, write
from gainlib.cli import labs
from gainlib.meters import Reading, measure

RATE = 48000


def _tone(seconds=1.0, level_dbfs=-20.0, channels=1):
    time_s = np.arange(round(seconds * RATE))[:, None] / RATE
    return Audio(10 ** (level_dbfs / 20) * np.sin(2 * np.pi * 997 * time_s) * np.ones(channels), RATE)


def _run(*arguments):
    """Run a verb in this process and return its exit code, also where argparse ends it."""
    try:
        return main([str(word) for word in arguments])
    except SystemExit as end:
        return end.code


def _rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def stems(tmp_path):
    """Return a folder with two good stems and things that do not count."""
    folder = tmp_path / "stems"
    folder.mkdir()
    write(folder / "bass.wav", _tone(4))
    write(folder / "Alto.flac", _tone(0.5, -6, channels=2), "PCM_16")
    (folder / "notes.txt").write_text("no sound")
    (folder / ".draft.wav").write_text("no sound")
    (folder / "old").mkdir()
    write(folder / "old" / "bass.wav", _tone())
    return folder


def _digests(folder):
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.rglob("*") if path.is_file()}


def _second_opinion(path):
    """Return loudness and true peak as libebur128, a compiled implementation of BS.1770, has them."""
    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    mode = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
    state = pyebur128.R128State(samples.shape[1], rate, mode)
    state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    peak = max(pyebur128.get_true_peak(state, channel) for channel in range(samples.shape[1]))
    return pyebur128.get_loudness_global(state), 20 * math.log10(peak)


@pytest.mark.recorded
def test_recorded_folder_against_libebur128(recorded_folder, tmp_path, capsys):
    """A folder of recorded voice, drums and instruments: loudness and true peak within 0.2 of libebur128."""
    before = _digests(recorded_folder)
    assert _run("measure", recorded_folder, "--csv", tmp_path / "all.csv") == 0
    rows = _rows(tmp_path / "all.csv")
    assert len(rows) >= 10
    worst = [0.0, 0.0]
    for row in rows:
        loudness, peak = _second_opinion(recorded_folder / row["file"])
        off = abs(float(row["loudness_lufs"]) - loudness), abs(float(row["true_peak_dbtp"]) - peak)
        worst = list(map(max, worst, off))
        assert max(off) <= 0.2, row["file"]
    assert _digests(recorded_folder) == before
    with capsys.disabled():
        print(
            f"\n{len(rows)} recordings: loudness at most {worst[0]:.3f} LU, true peak {worst[1]:.3f} dB off libebur128"
        )


def test_folder_in_order_and_nothing_else(stems, tmp_path, capsys):
    """Files by name without case; hidden ones, subfolders and other files do not count."""
    before = _digests(stems)
    assert _run("measure", stems, "--csv", tmp_path / "a.csv") == 0
    assert [row["file"] for row in _rows(tmp_path / "a.csv")] == ["Alto.flac", "bass.wav"]
    printed = capsys.readouterr().out
    assert printed.index("Alto.flac") < printed.index("bass.wav")
    assert not {"draft", "notes", "old"} & set(re.findall(r"\w+", printed))
    assert _digests(stems) == before


def test_csv_as_agreed(stems, tmp_path):
    """Names and order of the columns; numbers that read back exactly; nothing for what is not defined."""
    write(stems / "Silence.wav", Audio(np.zeros(RATE), RATE))
    _run("measure", stems, "--csv", tmp_path / "a.csv", "-q")
    text = (tmp_path / "a.csv").read_text(encoding="utf-8")
    names = [field.name for field in fields(Reading)]
    assert text.splitlines()[0].split(",") == ["file", "channels", "rate_hz", "frames", *names, "error"]
    rows = _rows(tmp_path / "a.csv")
    assert [(row["channels"], row["rate_hz"], row["frames"]) for row in rows] == [
        ("2", "48000", "24000"), ("1", "48000", "192000"), ("1", "48000", "48000"),
    ]  # fmt: skip
    for row in rows:
        reading = measure(read(stems / row["file"]))
        for name in names:
            value = getattr(reading, name)
            assert row[name] == "" if value is None else float(row[name]) == value, name
        assert row["error"] == ""
    assert rows[0]["short_term_max_lufs"] == ""  # half a second
    assert rows[2]["true_peak_dbtp"] == rows[2]["loudness_lufs"] == "-inf"
    assert rows[2]["crest_db"] == "" and rows[2]["flat_runs"] == "0"


def test_values_of_a_tone(tmp_path, capsys):
    """A 997 Hz sine at −20 dBFS peak in both channels: −20 dBFS (AES17), −20 LUFS (BS.1770-4), −2 VU at −18 dBFS."""
    write(tmp_path / "tone.wav", _tone(4, channels=2))
    assert _run("measure", tmp_path / "tone.wav", "--csv", tmp_path / "a.csv") == 0
    (row,) = _rows(tmp_path / "a.csv")
    for name, wanted, off in (("rms_dbfs", -20, 0.01), ("loudness_lufs", -20, 0.1), ("hover_vu", -2, 0.05)):
        assert float(row[name]) == pytest.approx(wanted, abs=off)
    line = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("tone.wav"))
    assert "−20.0" in line and "−2.0" in line and "-" not in line


def test_alignment(tmp_path):
    """0 VU follows the line-up level; a comma and a true minus sign are understood."""
    write(tmp_path / "tone.wav", _tone(4))
    for level, wanted in (("-20", 0), ("−20,0", 0), ("-14.5", -5.5)):
        assert _run("measure", tmp_path, "--csv", tmp_path / "a.csv", "--alignment", level) == 0
        assert float(_rows(tmp_path / "a.csv")[0]["hover_vu"]) == pytest.approx(wanted, abs=0.05)


def test_bad_files_do_not_stop_the_good(stems, tmp_path, capsys):
    """Exit code 1, every good row there, every bad one with its reason."""
    (stems / "cut.wav").write_bytes((stems / "bass.wav").read_bytes()[:5000])
    (stems / "Text.aiff").write_text("no sound")
    samples = np.zeros(RATE)
    samples[40_000] = math.nan
    soundfile.write(stems / "nan.wav", samples, RATE, "FLOAT")
    assert _run("measure", stems, "--csv", tmp_path / "a.csv", "-q") == 1
    rows = {row["file"]: row for row in _rows(tmp_path / "a.csv")}
    assert list(rows) == ["Alto.flac", "bass.wav", "cut.wav", "nan.wav", "Text.aiff"]
    wanted = {"cut.wav": "truncated", "Text.aiff": "not audio", "nan.wav": "nan at frame 40000"}
    assert {name for name, row in rows.items() if row["error"]} == set(wanted)
    out, err = capsys.readouterr()
    for name, reason in wanted.items():
        assert reason in rows[name]["error"] and rows[name]["rms_dbfs"] == ""
        assert rows[name]["error"] in err and name not in out
    assert rows["nan.wav"]["frames"] == "48000" and rows["cut.wav"]["frames"] == ""
    assert "bass.wav" in out and "2 of 5 files measured" in err


def test_no_name_in_the_csv_acts_as_a_formula(tmp_path):
    write(tmp_path / "=1+1.wav", _tone(0.5))
    (tmp_path / "@sum.wav").write_text("words")
    _run("measure", tmp_path, "--csv", tmp_path / "a.csv", "-q")
    good, bad = _rows(tmp_path / "a.csv")
    assert (good["file"], bad["file"]) == ("'=1+1.wav", "'@sum.wav") and float(good["rms_dbfs"]) < -19.9
    assert bad["error"].startswith("'@sum.wav: ") and str(tmp_path) not in bad["error"]


def test_a_name_with_a_line_break_stays_on_its_line(tmp_path, capsys):
    """In the table and in what is said of a bad file; the CSV has the name as it is."""
    write(tmp_path / "kick\nin\x1b[2J.wav", _tone(0.5))
    (tmp_path / "no\nsound.wav").write_text("words")
    assert _run("measure", tmp_path, "--csv", tmp_path / "a.csv", "-q") == 1
    out, err = capsys.readouterr()
    assert "kick in [2J.wav" in [line.split("  ")[0] for line in out.splitlines()] and "\x1b" not in out
    assert err.splitlines()[0].startswith(f"{tmp_path}/no sound.wav: not audio")
    assert [row["file"] for row in _rows(tmp_path / "a.csv")] == ["kick\nin\x1b[2J.wav", "no\nsound.wav"]


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("exponent", [154, 160, 300])
def test_samples_whose_squares_are_no_numbers(stems, tmp_path, exponent, capsys):
    """A 64-bit file may hold them; no figure is better than nan."""
    tone = np.sin(np.arange(RATE) * 0.1)
    soundfile.write(stems / "huge.wav", tone * 10.0**exponent, RATE, "DOUBLE")
    soundfile.write(stems / "large.wav", tone * 1e30, RATE, "DOUBLE")
    assert _run("measure", stems, "--csv", tmp_path / "a.csv", "-q") == 1
    out, err = capsys.readouterr()
    assert f"huge.wav: its samples, up to +{20 * exponent} dBFS, are too large" in err and "huge.wav" not in out
    rows = {row["file"]: row for row in _rows(tmp_path / "a.csv")}
    assert rows["huge.wav"]["rms_dbfs"] == "" and float(rows["large.wav"]["rms_dbfs"]) == pytest.approx(600, abs=0.01)


def test_a_full_disk_costs_no_figures(stems, tmp_path, monkeypatch, capsys):
    """The table is shown, the reason given, the old CSV stays."""
    (tmp_path / "a.csv").write_text("old")

    def full(*_, **options):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "write_text", full)
    assert _run("measure", stems, "--csv", tmp_path / "a.csv", "-q") == 1
    out, err = capsys.readouterr()
    assert "bass.wav" in out and "a.csv: could not be written whole (No space left on device)" in err
    assert (tmp_path / "a.csv").read_text() == "old"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="only Unix has pipes with a name")
def test_links_to_nothing_and_pipes_are_named(stems, capsys):
    """They look like stems, so they may not be missing without a word."""
    (stems / "gone.wav").symlink_to(stems / "nothing.wav")
    os.mkfifo(stems / "pipe.wav")
    assert _run("measure", stems, "-q") == 1
    out, err = capsys.readouterr()
    assert "bass.wav" in out and "gone.wav: is a link to" in err and "pipe.wav: is no ordinary file" in err


@pytest.mark.parametrize("name", ["missing.wav", "no folder", "notes.txt"])
def test_path_that_cannot_be_read(stems, name, capsys):
    """A path that is nothing, or no sound, is a failure with a sentence, not a traceback."""
    assert _run("measure", stems / name) == 1
    out, err = capsys.readouterr()
    assert out == "" and str(stems / name) in err and "Traceback" not in err


def test_folder_without_sound(tmp_path, capsys):
    """Nothing found is a failure that says what was looked for."""
    (tmp_path / "notes.txt").write_text("no sound")
    assert _run("measure", tmp_path, "--csv", tmp_path / "a.csv") == 1
    err = capsys.readouterr().err
    assert f"{tmp_path}: no sound file in this folder" in err and ".wav" in err
    assert not (tmp_path / "a.csv").exists()


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["measure"],
        ["mesure", "x"],
        ["measure", "a", "b"],
        ["measure", ".", "--colour"],
        ["measure", ".", "--csv"],
        ["measure", ".", "--alignment", "loud"],
        ["measure", ".", "--alignment", "inf"],
    ],
)
def test_wrong_use(words, capsys, tmp_path, monkeypatch):
    """Exit code 2 and the usage."""
    monkeypatch.chdir(tmp_path)
    assert _run(*words) == 2
    assert capsys.readouterr().err.startswith("usage: python -m gainlib")


@pytest.mark.parametrize("target", ["bass.wav", "BASS.WAV", "new.flac", "link.csv", "old", "no/such/a.csv"])
def test_csv_goes_over_no_source(stems, target, capsys):
    """A name of a sound file, a link to one, a folder: refused before anything is measured."""
    (stems / "link.csv").hardlink_to(stems / "bass.wav")
    before = _digests(stems)
    assert _run("measure", stems, "--csv", stems / target) == 2
    out, err = capsys.readouterr()
    assert out == "" and target.split("/")[-1] in err
    assert _digests(stems) == before


def test_csv_replaces_an_older_one(stems, tmp_path):
    """Measuring again is the usual case."""
    (tmp_path / "a.csv").write_text("old")
    assert _run("measure", stems, "--csv", tmp_path / "a.csv", "-q") == 0
    assert len(_rows(tmp_path / "a.csv")) == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.csv", "stems"]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no such signal to one process")
def test_real_interrupt(tmp_path):
    """A signal in the middle of a long folder: exit code 130, the CSV of the last time, no other file, no word more."""
    for k in range(3):
        write(tmp_path / f"{k}.wav", Audio(np.random.default_rng(k).uniform(-0.1, 0.1, (120 * RATE, 2)), RATE))
    (tmp_path / "a.csv").write_text("old")
    code, out, seen = interrupted(("measure", tmp_path, "--csv", tmp_path / "a.csv"), b"% |")
    assert code == 130 and out == b"", seen
    assert b"Traceback" not in seen and b"Interrupted" in seen
    assert (tmp_path / "a.csv").read_text() == "old"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["0.wav", "1.wav", "2.wav", "a.csv"]


def test_progress_bar_on_the_error_stream(stems, monkeypatch, capsys):
    """The bar goes to stderr, so that the table can be kept in a file; --quiet takes it away, and so does a pipe."""
    _run("measure", stems)
    assert capsys.readouterr().err == ""
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    _run("measure", stems)
    out, err = capsys.readouterr()
    assert "% |" in err and "% |" not in out
    _run("measure", stems, "--quiet")
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("columns", [40, 80, 100, 120, 200])
def test_table_fits_the_screen(stems, columns, monkeypatch, capsys):
    """40 to 120 columns, long and wide names shortened, numbers under their heads; what does not fit is left out."""
    write(stems / ("Second violin, far microphone, take 12 " * 2 + ".wav"), _tone())
    write(stems / "一二三四五六七八九十一二三四五六.wav", _tone())
    monkeypatch.setenv("COLUMNS", str(columns))
    _run("measure", stems)
    lines = capsys.readouterr().out.splitlines()
    assert max(map(cell_len, lines)) <= min(columns, 120)
    table = lines[: lines.index("")]
    assert len(table) == 6 and {cell_len(line) for line in table[2:]} == {cell_len(table[0])}
    assert ("dBTP" in table[1] and "LUFS" in table[1]) or columns < 80
    assert "dBFS" in table[1] and "…" in "".join(table)


def test_a_pipe_gets_plain_text(tmp_path, monkeypatch, capsys):
    """No colour codes, whatever the environment asks for, and a name in brackets is a name."""
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "100")
    write(tmp_path / "tom [red] :drum:.wav", _tone())
    assert _run("measure", tmp_path, "-q") == 0
    out = capsys.readouterr().out
    assert "tom [red] :drum:.wav" in out and "\x1b" not in out
    assert not [line for line in out.splitlines() if line != line.rstrip()]


def test_names_that_the_screen_cannot_show(tmp_path):
    """A screen without our signs, and a name it lacks, cost no traceback."""
    write(tmp_path / "Dröhn 鼓.wav", _tone())
    command = [sys.executable, "-m", "gainlib", "measure", str(tmp_path), "-q"]
    environment = os.environ | {"PYTHONIOENCODING": "ascii"}
    done = subprocess.run(command, capture_output=True, env=environment, check=False)
    assert done.returncode == 0, done.stderr
    assert b"-20.0" in done.stdout and b"Dr\\xf6hn \\u9f13.wav" in done.stdout


@pytest.mark.parametrize("words", [(), ("--json",), ("--help",)])
def test_output_that_nobody_reads(stems, words):
    """A reader that has seen enough is no error to speak of."""
    command = [sys.executable, "-m", "gainlib", "measure", str(stems), "-q", *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        process.stdout.close()
        assert process.stderr.read() == b""


def test_output_that_has_no_room_or_no_place(stems):
    """A full disk is told in a sentence; where a shell has closed standard output, nothing can be."""
    words = f"'{sys.executable}' -m gainlib measure '{stems}' -q"
    full = subprocess.run(["sh", "-c", f"{words} > /dev/full"], capture_output=True, text=True, check=False)
    assert full.returncode == 1 and full.stderr.count("\n") == 1 and "No space left" in full.stderr
    closed = subprocess.run(["sh", "-c", f"{words} >&-"], capture_output=True, text=True, check=False)
    assert (closed.returncode, closed.stderr) == (0, "")


def test_help_and_version(capsys):
    """Every verb and every option is in the help."""
    assert _run("--version") == 0
    assert capsys.readouterr().out == f"gainlib {gainlib.__version__}\n"
    assert _run("--help") == 0
    out = capsys.readouterr().out
    verbs = ("measure", "plan", "stage", "sheets", "labs", "gradebook", "key", "handout", "probe", "null")
    assert all(re.search(rf"^ +{verb}\b", out, re.M) for verb in verbs) and "exit code" in out
    assert _run("measure", "--help") == 0
    out = capsys.readouterr().out
    assert all(word in out for word in ("PATH", "--csv", "--alignment", "--quiet", "exit code"))


def test_help_needs_nothing_heavy():
    """The parser is built without numbers, sound or screens."""
    heavy = {"numpy", "scipy", "numba", "soundfile", "tqdm", "rich", "jinja2", "matplotlib", "IPython"}
    code = (
        "import sys; from gainlib.__main__ import build_parser; build_parser()\n"
        f"print(sorted({heavy} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


class _Server:
    """Stands in for JupyterLab, which a test must not open."""

    started: list = []  # noqa: RUF012
    waits = 0

    def __init__(self, command, stdout):
        self.started.append(command)

    def wait(self):
        type(self).waits += 1
        if self.waits == 1:
            raise KeyboardInterrupt  # Ctrl-C reaches both; the server asks back
        return 0


def test_labs(tmp_path, monkeypatch, capsys):
    """JupyterLab is started on the labs, with the options that are its own; Ctrl-C is left to it."""
    monkeypatch.setattr(labs, "__file__", str(tmp_path / "a" / "b" / "c.py"))
    monkeypatch.chdir(tmp_path)
    assert _run("labs") == 1
    assert "no folder labs" in capsys.readouterr().err
    (tmp_path / "labs").mkdir()
    (tmp_path / "labs" / "lab05.ipynb").touch()
    monkeypatch.setattr(subprocess, "Popen", _Server)
    assert _run("labs", "--no-browser", "--port", "9000") == 0
    (command,) = _Server.started
    assert command == [sys.executable, "-m", "jupyter", "lab", str(tmp_path / "labs"), "--no-browser", "--port", "9000"]
    assert _Server.waits == 2


def test_lazy_and_whole_reading_agree(stems):
    """What is measured in blocks from the file equals what is measured in memory."""
    for path in sorted(stems.glob("*.*a*")):
        if path.suffix in (".wav", ".flac") and not path.name.startswith("."):
            assert measure(AudioFile(path)) == measure(read(Path(path)))
