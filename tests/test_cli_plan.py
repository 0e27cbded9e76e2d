"""The command line: plan, stage and sheets on good folders and on hostile ones.

What is written is read back with the soundfile and csv libraries; exit codes are 0 done, 1 failed, 2 wrong use.
"""

import csv
import hashlib
import json
import math
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile
from stemfolder import RATE, energy_db, make, samples
from terminal import interrupted

import gainlib.mix
from gainlib.__main__ import main
from gainlib.audio import Audio, write
from gainlib.mix import plan
from gainlib.session import from_json, open_folder
from gainlib.words import number


def run(*arguments):
    """Run a verb in this process and return its exit code, also where argparse ends it."""
    try:
        return main([str(word) for word in arguments])
    except SystemExit as end:
        return end.code


def digests(folder):
    return {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.rglob("*") if path.is_file()}


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Return a folder of stems and a chains file that no test may change, and what they looked like."""
    folder, chains = make(tmp_path_factory.mktemp("own") / "Lied №5 ✓")
    yield folder, chains
    assert len(list(folder.iterdir())) == 6


@pytest.fixture
def stems(tmp_path):
    """Return a small folder of two stems of its own for each test."""
    folder = tmp_path / "stems"
    folder.mkdir()
    write(folder / "bass.wav", Audio(samples("bass", 0.6), RATE))
    write(folder / "tom.wav", Audio(samples("tom", 0.6), RATE))
    return folder


# ---- plan ------------------------------------------------------------------------------------------------------------


def test_plan_tells_moves_reasons_warnings_and_whether_it_holds(kept, capsys):
    folder, chains = kept
    before = digests(folder)
    assert run("plan", folder, "--chains", chains, "-q") == 0
    out, err = capsys.readouterr()
    assert err == "" and digests(folder) == before
    result = plan(gainlib.mix.apply_chains(open_folder(folder), chains.read_text(encoding="utf-8"))[0])
    flat = " ".join(out.split())
    for move in result.moves:
        assert f"({move.place})" in flat
        reason = " ".join(move.reason.removeprefix(f"{move.strip}: ").split())
        assert reason[:1].upper() + reason[1:] in flat.replace("level- dependent", "level-dependent")
    for warning in result.warnings:
        assert warning[:60] in flat
    assert "6 stems, 48000 Hz, drive: reference" in out and "constant offset of" in out
    assert f". A full render keeps {len(result.verification.checks)} checks" in flat


def test_plan_writes_all_sheets_into_a_folder(kept, tmp_path, capsys):
    folder, chains = kept
    assert run("plan", folder, "--chains", chains, "--out", tmp_path / "sheets", "-q") == 0
    names = ["hand-off.txt", "levels.csv", "plan.csv", "plan.html", "session.json"]
    assert sorted(path.name for path in (tmp_path / "sheets").iterdir()) == names
    assert [row["strip"] for row in rows(tmp_path / "sheets" / "levels.csv")] == [
        "bass", "guitar é", "hat", "kick", "tom 1", "vocal",
    ]  # fmt: skip
    assert -6.05 <= float(rows(tmp_path / "sheets" / "plan.csv")[-1]["bus_true_peak_dbtp"]) <= -6.0
    session = from_json((tmp_path / "sheets" / "session.json").read_text(encoding="utf-8"), folder)
    peak = 20 * math.log10(np.abs(session.render().bus.samples).max())
    assert peak < -6.0
    for name in names[:-1]:
        text = (tmp_path / "sheets" / name).read_text(encoding="utf-8")
        assert str(folder.parent) not in text and str(tmp_path) not in text
    assert "plan.html" in capsys.readouterr().out
    assert run("plan", folder, "--chains", chains, "--out", tmp_path / "sheets", "-q") == 0, "again, over its own"


def test_a_saved_session_opens_again_and_needs_no_plan(kept, tmp_path, capsys):
    folder, chains = kept
    song = tmp_path / "song.json"
    assert run("plan", folder, "--chains", chains, "--save", song, "-q") == 0
    assert json.loads(song.read_text(encoding="utf-8"))["strips"][0]["audio"]["file"] == "bass.flac"
    capsys.readouterr()
    assert run("plan", folder, "--session", song, "--save", song, "--leave-out", "none", "-q") == 0
    moves = capsys.readouterr().out.partition("What moves, and why")[2].partition("Warnings")[0]
    # The start of the DC block stays in the mean of a stem this short; nothing else moves by what can be read.
    assert set(re.findall(r" by (\S+) dB \(", moves)) <= {"0.0"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--target", "-9"), "bus true peak: −9.0"),
        (("--target=−7,5",), "bus true peak: −7.5"),
        (("--drive", "unchanged"), "drive: unchanged"),
        (("--average", "needle", "--match", "loudness"), "kept, if what was told of boxes is right"),
    ],
)
def test_options_reach_the_plan(kept, words, said, capsys):
    folder, chains = kept
    assert run("plan", folder, "--chains", chains, *words, "-q") == 0
    assert said in " ".join(capsys.readouterr().out.split())


def test_a_plan_that_fails_its_verification_is_written_nowhere(stems, tmp_path, monkeypatch, capsys):
    def failing(*arguments, **options):
        result = plan(*arguments, **options)
        check = replace(result.verification.checks[0], measured=-1.0)
        return replace(result, verification=replace(result.verification, checks=(check,)))

    monkeypatch.setattr(gainlib.mix, "plan", failing)
    before = sorted(tmp_path.rglob("*"))
    for verb in (("plan", stems), ("stage", stems, tmp_path / "out")):
        words = ("--out", tmp_path / "sheets", "--csv", tmp_path / "a.csv", "--save", tmp_path / "a.json", "-q")
        assert run(*verb, *words) == 1
        out, _ = capsys.readouterr()
        assert "NOT VERIFIED" in out and "bus true peak: −1.00 dBTP" in out
        assert sorted(tmp_path.rglob("*")) == before


SCHEMA = json.loads((Path(gainlib.__file__).parent / "cli" / "schema.json").read_text(encoding="utf-8"))


def as_json(capsys, *words, code=0):
    """Run a verb with --json and return its result; the document has to be all of its output, and as described."""
    capsys.readouterr()
    assert run(*words, "--json") == code
    whole = json.loads(capsys.readouterr().out)
    jsonschema.validate(whole, SCHEMA, cls=jsonschema.Draft202012Validator)
    assert (whole["verb"], whole["exit"]) == (words[0], code) and bool(whole["problems"]) == bool(code)
    return whole["result"]


def test_numbers_are_equal_to_the_last_digit_on_screen_in_csv_and_in_json(kept, tmp_path, monkeypatch, capsys):
    """The page is held against the CSV in the tests of the sheets; the screen here leaves out what all strips share."""
    folder, chains = kept
    monkeypatch.setenv("COLUMNS", "120")
    found = as_json(capsys, "plan", folder, "--chains", chains, "--out", tmp_path / "sheets")
    assert str(tmp_path) not in json.dumps(found) and str(folder.parent) not in json.dumps(found)
    lines = rows(tmp_path / "sheets" / "plan.csv")
    assert [line["strip"] for line in lines] == [row["name"] for row in found["rows"]]
    assert run("plan", folder, "--chains", chains) == 0
    screen = capsys.readouterr().out.partition("What to set:\n")[2].partition("\n\nGains in dB")[0].splitlines()
    compared = 0
    for line, row in zip(lines, found["rows"], strict=True):
        controls = ("trim_db", "output_trim_db", "fader_db", "pan")
        pairs = [(line[name], row[name]) for name in controls]
        pairs += [(line[f"send_{send['to']}_db"], send["level_db"]) for send in row["sends"]]
        for insert in row["inserts"]:
            ends = ("in_db", "reading_dbfs", "threshold_dbfs", "out_db")
            pairs += [(line[f"insert_{insert['number']}_{end}"], insert[end]) for end in ends]
        assert all(float(cell) == value if cell else value is None for cell, value in pairs), row["name"]
        first = next(k for k, each in enumerate(screen) if each.startswith(row["name"] + " "))
        last = next((k for k in range(first + 1, len(screen)) if screen[k][:1].strip()), len(screen))
        shown = " ".join(screen[first:last])
        told = [number(row[name], 2 if name == "pan" else 1, signed=True) for name in controls if row[name] is not None]
        told += [number(insert[end], 1, signed=True) for insert in row["inserts"] for end in ("reading_dbfs", "out_db")]
        assert all(figure in shown or float(figure.replace("−", "-")) == 0.0 for figure in told), (shown, told)
        compared += len(pairs)
    assert compared > 50


@pytest.mark.parametrize("columns", [50, 80, 120])
def test_what_to_set_fits_the_screen(stems, columns, monkeypatch, capsys):
    (stems.parent / "chains.json").write_text('{"stems": {"*": ["Filter", "Compressor", "Saturation"]}}')
    monkeypatch.setenv("COLUMNS", str(columns))
    assert run("plan", stems, "--chains", stems.parent / "chains.json") == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= columns
    told = " ".join(out.partition("What to set:")[2].partition("Gains in dB")[0].split())
    assert "fader" in told and "input trim" in told and "1 filter" in told and told.count("→") == 12


def test_every_verb_gives_one_document(stems, tmp_path, capsys):
    assert [row["file"] for row in as_json(capsys, "measure", stems)["files"]] == ["bass.wav", "tom.wav"]
    assert as_json(capsys, "measure", stems / "gone.wav", code=1)["files"][0]["error"].startswith("gone.wav: ")
    assert as_json(capsys, "plan", stems / "gone", code=1) == {}
    staged = as_json(capsys, "stage", stems, tmp_path / "out", "--out", tmp_path / "a")
    assert [file["name"] for file in staged["staged"]["files"]] == ["bass.wav", "tom.wav"]
    assert "plan.csv" in staged["written"] and staged["rows"][0]["name"] == "bass"
    compared = as_json(capsys, "sheets", "compare", tmp_path / "a", tmp_path / "a")["compared"]
    assert [(each["sheet"], each["changes"]) for each in compared] == [("levels.csv", []), ("plan.csv", [])]
    assert as_json(capsys, "null", stems / "bass.wav", stems / "bass.wav")["depth_db"] == "-inf"
    assert as_json(capsys, "probe", "write", tmp_path / "p.wav")["file"] == "p.wav"
    assert as_json(capsys, "probe", "read", tmp_path / "p.wav")["linear"] is True
    record = Path(__file__).parent / "records" / "pim.jsonl"
    (tmp_path / "records").mkdir()
    (tmp_path / "records" / "a.jsonl").write_text("".join(record.open(encoding="utf-8").readlines()[:9]))
    marks = as_json(capsys, "gradebook", tmp_path / "records", "--csv", tmp_path / "g.csv")["marks"]
    assert len(marks) == len(rows(tmp_path / "g.csv")) and marks[0]["learner"] == "Pim Vasko"
    (key,) = as_json(capsys, "key", "2C", "Pim Vasko", "--exercise", "01-1")["exercises"]
    assert key["answers"] and key["given"]
    assert run("--json-schema") == 0 and json.loads(capsys.readouterr().out) == SCHEMA


# ---- stage -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bits", "subtype"), [("16", "PCM_16"), ("24", "PCM_24"), ("32f", "FLOAT")])
def test_the_sum_of_staged_stems_is_the_bus_of_the_plan(kept, tmp_path, bits, subtype, capsys):
    """Seven files of 16 bit hold noise of q²/4 each: 8.5 dB over −96.3 dB (Lipshitz et al., JAES 40(5), 1992)."""
    folder, chains = kept
    before = digests(folder)
    words = ("--chains", chains, "--save", tmp_path / "song.json", "--through", "bus", "--bits", bits, "-q")
    assert run("stage", folder, tmp_path / "out", *words) == 0
    bus = from_json((tmp_path / "song.json").read_text(encoding="utf-8"), folder).render().bus.samples
    files = sorted((tmp_path / "out").glob("*.wav"))
    assert [soundfile.info(path).subtype for path in files] == [subtype] * 7
    total = sum(soundfile.read(path)[0] for path in files)
    off = energy_db(total - bus)
    assert off - 10 * np.log10(bus.size) < -87.5 if bits == "16" else off - energy_db(bus) < -90.0
    assert digests(folder) == before
    out = capsys.readouterr().out
    assert "Originals: 6, unchanged" in out and "null" in out and "echo.wav" in out


def test_staged_up_to_the_trim(kept, tmp_path, capsys):
    folder, chains = kept
    assert run("stage", folder, tmp_path / "out", "--chains", chains, "--csv", tmp_path / "plan.csv", "-q") == 0
    found = {row["strip"]: float(row["trim_db"]) for row in rows(tmp_path / "plan.csv")}
    kick, _ = soundfile.read(tmp_path / "out" / "kick.wav")
    assert energy_db(kick) - energy_db(samples("kick")) == pytest.approx(found["kick"], abs=0.0501)
    sums = (tmp_path / "out" / "SHA256SUMS").read_text(encoding="utf-8")
    assert sums.count("\n") == 6 and "guitar é.wav" in sums
    assert "in place of its raw stem" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("what", ["full", "same", "file", "parent"])
def test_stage_fills_no_folder_that_holds_something(stems, tmp_path, what, capsys):
    target = {"full": tmp_path / "full", "same": stems, "file": stems / "bass.wav", "parent": tmp_path / "no" / "such"}[
        what
    ]
    if what == "full":
        target.mkdir()
        (target / "mine").write_text("mine")
    before = digests(tmp_path)
    assert run("stage", stems, target, "-q") == 1
    out, err = capsys.readouterr()
    assert out == "" and str(target) in err and "Traceback" not in err, "refused before anything long begins"
    assert digests(tmp_path) == before


def test_what_would_clip_is_named_and_float_offered(stems, tmp_path, capsys):
    chains = tmp_path / "chains.json"
    chains.write_text('{"stems": {"tom": {"trim_db": 12, "fader_db": -12}}}')
    assert run("stage", stems, tmp_path / "out", "--chains", chains, "-q") == 1
    err = capsys.readouterr().err
    assert "tom: " in err and "dBFS" in err and "32-bit float" in err and not (tmp_path / "out").exists()
    assert run("stage", stems, tmp_path / "out", "--chains", chains, "--bits", "32f", "-q") == 0


# ---- sheets compare and --compare ------------------------------------------------------------------------------------


def test_two_sheets_are_told_apart(kept, tmp_path, capsys):
    folder, chains = kept
    for name, words in (("a", ()), ("b", ("--target", "-8", "--leave-out", "hat*"))):
        assert run("plan", folder, "--chains", chains, "--out", tmp_path / name, *words, "-q") == 0
    capsys.readouterr()
    assert run("sheets", "compare", tmp_path / "a", tmp_path / "b") == 0
    out = capsys.readouterr().out
    assert out.count("removed: hat") == 2 and "bus: true peak" in out and "−2.0" in out
    assert run("sheets", "compare", tmp_path / "a" / "plan.csv", tmp_path / "a" / "plan.csv") == 0
    assert "Nothing changed" in capsys.readouterr().out
    old = tmp_path / "a" / "levels.csv"
    assert run("plan", folder, "--chains", chains, "--leave-out", "hat", "--compare", old, "--levels", old, "-q") == 0
    assert "removed: hat" in capsys.readouterr().out
    assert "hat" not in old.read_text(encoding="utf-8"), "compared first, replaced then"


def test_a_sheet_of_the_version_before_is_compared_with_a_word(stems, tmp_path, capsys):
    write(stems / "short.wav", Audio(samples("hat", 0.4), RATE))
    assert run("plan", stems, "--out", tmp_path / "a", "-q") == 0
    capsys.readouterr()
    levels = (tmp_path / "a" / "levels.csv").read_text(encoding="utf-8")
    assert levels.count("length mismatch") == 1
    (tmp_path / "levels.csv").write_text(levels.replace("length mismatch", "lengths"), encoding="utf-8")
    assert run("sheets", "compare", tmp_path / "levels.csv", tmp_path / "a" / "levels.csv") == 0
    out, err = capsys.readouterr()
    assert "Nothing changed" in out and err.startswith("levels.csv: lengths is called length mismatch now; ")
    old = ["kind,strip,item,processor,unit,before,after,place,reason"]
    columns = {"trim": "trim_db", "post trim": "output_trim_db", "fader": "fader_db", "pan": "pan"}
    for row in rows(tmp_path / "a" / "plan.csv"):
        old += [f"setting,{row['strip']},{item},,dB,0,{row[column]},," for item, column in columns.items()]
    old += [
        f"bus,bus,true peak,,,0,{row['bus_true_peak_dbtp']},,",
        f"bus,bus,loudness,,,0,{row['bus_loudness_lufs']},,",
    ]
    (tmp_path / "old.csv").write_text("\n".join(old) + "\n", encoding="utf-8")
    for words in (
        ("sheets", "compare", tmp_path / "old.csv", tmp_path / "a" / "plan.csv"),
        ("plan", stems, "--compare", tmp_path / "old.csv", "-q"),
    ):
        capsys.readouterr()
        assert run(*words) == 0
        out, err = capsys.readouterr()
        assert "Nothing changed" in out
        form, names = err.splitlines()
        assert form == (
            "old.csv: a plan sheet has a line for each strip now; "
            "one with a line for each setting is read for one more version"
        )
        assert names == "old.csv: post trim is called output trim now; the old name is read for one more version"


@pytest.mark.parametrize("case", ["kinds", "missing", "folder and file", "no sheet", "no text"])
def test_sheets_that_cannot_be_compared(kept, tmp_path, case, capsys):
    folder, _ = kept
    assert run("plan", folder, "--out", tmp_path / "a", "-q") == 0
    (tmp_path / "x.csv").write_text("a,b\n")
    (tmp_path / "y.csv").write_bytes(b"\xff\xfe\0")
    one, other, said = {
        "kinds": ("a/levels.csv", "a/plan.csv", "two of one kind"),
        "missing": ("a/plan.csv", "b.csv", "b.csv"),
        "folder and file": ("a", "a/plan.csv", "one is a folder"),
        "no sheet": ("a/plan.csv", "x.csv", "headings"),
        "no text": ("a/plan.csv", "y.csv", "UTF-8"),
    }[case]
    capsys.readouterr()
    assert run("sheets", "compare", tmp_path / one, tmp_path / other) == 1
    err = capsys.readouterr().err
    assert said in err and "Traceback" not in err
    if case in ("missing", "no sheet"):
        assert run("plan", folder, "--compare", tmp_path / other, "-q") == 1
        assert capsys.readouterr().out == "", "found before anything long begins"


# ---- hostile folders -------------------------------------------------------------------------------------------------


def spoil(folder, what):
    """Put a file into a folder that cannot be read whole; return its name."""
    name = f"{what} ü.wav"
    if what == "text":
        (folder / name).write_text("no sound")
    elif what == "empty":
        (folder / name).write_bytes(b"")
    elif what == "cut":
        whole = (folder / "bass.wav").read_bytes()
        (folder / name).write_bytes(whole[: len(whole) // 2])
    elif what == "nan":
        broken = samples("hat", 0.6)
        broken[20_000] = math.nan
        soundfile.write(folder / name, broken, RATE, "FLOAT")
    elif what == "six":
        soundfile.write(folder / name, np.zeros((2000, 6)), RATE)
    return name


@pytest.mark.parametrize("what", ["text", "empty", "cut", "nan", "six"])
def test_what_cannot_be_read_is_named_and_the_rest_is_planned(stems, tmp_path, what, capsys):
    name = spoil(stems, what)
    before = digests(stems)
    assert run("plan", stems, "--out", tmp_path / "sheets", "-q") == 1
    out, err = capsys.readouterr()
    assert name.removesuffix(".wav") in err and "Traceback" not in err and "2 stems" in out and "not read" in out
    text = (tmp_path / "sheets" / "plan.html").read_text(encoding="utf-8")
    assert "not read: " in text and name.removesuffix(".wav") in text and str(tmp_path) not in text
    assert run("stage", stems, tmp_path / "out", "-q") == 1
    assert "--leave-out" in capsys.readouterr().err and not (tmp_path / "out").exists()
    assert run("stage", stems, tmp_path / "out", "--leave-out", f"{what}*", "-q") == 0
    assert len(list((tmp_path / "out").glob("*.wav"))) == 2 and digests(stems) == before


def test_mixed_rates_are_refused_by_name(stems, capsys):
    write(stems / "old.wav", Audio(samples("hat", 0.6, 44100), 44100))
    assert run("plan", stems, "-q") == 1
    err = capsys.readouterr().err
    assert "'old' is at 44100 Hz, the other strips at 48000 Hz" in err and "'bass'" not in err
    assert run("plan", stems, "--leave-out", "old.wav", "-q") == 0


@pytest.mark.parametrize("from_session", [False, True])
def test_what_is_to_be_left_out_and_fits_nothing_is_told(stems, tmp_path, from_session, capsys):
    song = tmp_path / "song.json"
    words = ("plan", stems, "-q")
    if from_session:
        assert run("plan", stems, "--save", song, "-q") == 0
        words += ("--session", song)
    capsys.readouterr()
    assert run(*words, "--leave-out", "tmo", "--leave-out", "TOM", "--leave-out", "ha*") == 0
    out, err = capsys.readouterr()
    assert out.startswith("1 stem,")
    assert [line.split(":")[0] for line in err.splitlines()] == ["--leave-out tmo", "--leave-out ha*"]


def test_a_floor_that_a_trim_brings_up_is_told(stems, tmp_path, capsys):
    rng = np.random.default_rng(1)
    floor = 10 ** (-75 / 20) * rng.standard_normal((6 * RATE, 1))  # sine-referred −72 dBFS
    notes = 10 ** (-45 / 20) * rng.standard_normal((6 * RATE, 1)) * ((np.arange(6 * RATE)[:, None] / RATE) % 1 < 0.6)
    write(stems / "quiet.wav", Audio(floor + notes, RATE))
    chains = tmp_path / "chains.json"
    chains.write_text('{"stems": {"quiet": ["Saturation"]}}')
    assert run("plan", stems, "--chains", chains, "-q") == 0
    said = " ".join(capsys.readouterr().out.split())
    # −18.0 dBFS wanted, −42.5 dBFS there: the floor comes up by 24.5 dB, above the limit of −50 dBFS.
    assert "quiet: its floor of −72." in said and "comes to −47." in said and "record it again" in said


def test_a_mix_print_among_the_stems_is_told(stems, capsys):
    write(stems / "hat.wav", Audio(samples("hat", 0.6), RATE))
    total = 0.5 * (samples("bass", 0.6) + samples("tom", 0.6) + samples("hat", 0.6))
    write(stems / "all.wav", Audio(total, RATE))
    assert run("plan", stems, "-q") == 0
    assert "possibly a mix print" in " ".join(capsys.readouterr().out.split())
    chains = stems.parent / "chains.json"
    chains.write_text('{"stems": {"all": {"leave_out": true}}}')
    assert run("plan", stems, "--chains", chains, "-q") == 0
    out = capsys.readouterr().out
    assert "mix print" not in out.partition("What to set")[2] and "\nall\n" not in out


@pytest.mark.parametrize("what", ["empty", "missing", "file", "only bad", "all left out", "hidden"])
def test_folders_with_nothing_to_plan(stems, tmp_path, what, capsys):
    target, words = tmp_path / "there", ()
    if what in ("empty", "only bad", "hidden"):
        target.mkdir()
    if what == "only bad":
        (target / "a.wav").write_text("no sound")
    elif what == "hidden":
        (target / ".a.wav").write_bytes((stems / "bass.wav").read_bytes())
    elif what == "file":
        target = stems / "bass.wav"
    elif what == "all left out":
        target, words = stems, ("--leave-out", "*")
    for verb in (("plan", target), ("stage", target, tmp_path / "out")):
        assert run(*verb, *words, "-q") == 1
        out, err = capsys.readouterr()
        assert out == "" and target.name in err and "Traceback" not in err
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_written_or_read(stems, tmp_path, monkeypatch, capsys):
    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as patch:
        patch.setattr("pathlib.Path.mkdir", refuse)
        assert run("stage", stems, tmp_path / "out", "-q") == 1
        assert run("plan", stems, "--out", tmp_path / "sheets", "-q") == 1
    monkeypatch.setattr("pathlib.Path.iterdir", refuse)
    assert run("plan", stems, "-q") == 1
    err = capsys.readouterr().err
    assert err.count("Permission denied") == 3 and "Traceback" not in err


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("{", "not JSON"),
        ('{"stems": {"bas": "linear"}}', "did you mean 'bass'"),
        ('{"stems": {"bass": ["Saturatoin"]}}', "did you mean 'saturation'"),
        (b"\xff\xfe\x00", "UTF-8"),
        (None, "chains.json"),
    ],
)
def test_a_chains_file_that_is_not_understood(stems, tmp_path, content, said, capsys):
    chains = tmp_path / "chains.json"
    if content is not None:
        chains.write_bytes(content if isinstance(content, bytes) else content.encode())
    assert run("plan", stems, "--chains", chains, "-q") == 1
    out, err = capsys.readouterr()
    assert out == "" and said in err and "Traceback" not in err


@pytest.mark.parametrize(
    "content", ["{", "[]", '{"strips": [{"name": "a", "audio": {"file": "gone.wav"}}]}', '{"strips": []}']
)
def test_a_session_that_does_not_open(stems, tmp_path, content, capsys):
    (tmp_path / "song.json").write_text(content)
    assert run("plan", stems, "--session", tmp_path / "song.json", "-q") == 1
    out, err = capsys.readouterr()
    assert "song.json" in err or content == '{"strips": []}'
    assert out == "" and err and "Traceback" not in err


# ---- wrong use, interrupts, screens ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        ("plan",),
        ("plan", ".", "--target", "loud"),
        ("plan", ".", "--target", "9"),
        ("plan", ".", "--drive", "guess"),
        ("plan", ".", "--csv", "a.wav"),
        ("plan", ".", "--csv", "no/such/a.csv"),
        ("plan", ".", "--csv", "x", "--html", "x"),
        ("plan", ".", "--html", "."),
        ("plan", ".", "--out", "no/such"),
        ("plan", ".", "--chains", "c.json", "--csv", "c.json"),
        ("stage", "."),
        ("stage", ".", "out", "--through", "fader"),
        ("stage", ".", "out", "--bits", "PCM_16"),
        ("stage", ".", "out", "--through", "bus", "--gain-only"),
        ("stage", ".", "out", "--csv", "out/a.csv"),
        ("sheets",),
        ("sheets", "sum", "a", "b"),
        ("sheets", "compare", "a"),
        ("sheets", "compare", "a", "b", "--limit", "much"),
    ],
)
def test_wrong_use(words, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "out").mkdir()
    assert run(*words) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.startswith("usage: python -m gainlib")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("plan", "--policy", "keep"), "--policy keep is called --drive unchanged now"),
        (("plan", "--drive", "restage"), "--drive restage is called --drive reference now"),
        (("plan", "--against", "old.csv"), "--against old.csv is called --compare old.csv now"),
        (("stage", "out", "--upto", "bus"), "--upto bus is called --through bus now"),
        (("stage", "out", "--subtype", "FLOAT"), "--subtype FLOAT is called --bits 32f now"),
        (("stage", "out", "--bits", "PCM_24"), "--bits PCM_24 is called --bits 24 now"),
        (("sheets", "diff", "old.csv", "old.csv"), "sheets diff is called sheets compare now"),
    ],
)
def test_names_of_the_version_before_are_read_with_a_word(stems, tmp_path, monkeypatch, words, said, capsys):
    monkeypatch.chdir(tmp_path)
    assert run("plan", "stems", "--csv", "old.csv", "-q") == 0
    capsys.readouterr()
    verb, *rest = words
    assert run(verb, *([] if verb == "sheets" else ["stems", "-q"]), *rest) == 0
    out, err = capsys.readouterr()
    assert err == f"{said}; the old name is read for one more version\n"
    assert {"keep": "drive: unchanged", "old.csv": "Nothing changed"}.get(rest[-1], "") in out
    if verb == "stage":
        made = soundfile.info(tmp_path / "out" / "bass.wav")
        assert (made.subtype, made.channels) == {
            "bus": ("PCM_24", 2), "FLOAT": ("FLOAT", 1), "PCM_24": ("PCM_24", 1),
        }[rest[-1]]  # fmt: skip
    assert run(verb, "--help") == 0
    told = capsys.readouterr().out
    assert not [old for old in ("--policy", "--against", "--upto", "--subtype", "diff ") if old in told]


def test_files_of_the_version_before_are_read_with_a_word(stems, tmp_path, capsys):
    chains, song = tmp_path / "chains.json", tmp_path / "song.json"
    chains.write_text('{"stems": {"*": {"level-dependent": {"name": "opto"}, "post_trim_db": 1}}}')
    assert run("plan", stems, "--chains", chains, "--save", song, "-q") == 0
    out, err = capsys.readouterr()
    assert "the black box “opto”" in " ".join(out.split()) and "old name" not in out
    first, *rest = err.splitlines()
    assert first == f"{chains}: it is written in TOML now; JSON is read for one more version"
    assert rest == [
        f"{chains}: {old} is called {new} now; the old name is read for one more version"
        for old, new in (("level-dependent", "black box"), ("post_trim_db", "output_trim_db"))
    ]
    whole = song.read_text(encoding="utf-8")
    assert "opto" in whole
    song.write_text(whole.replace("BlackBox", "Unseen"), encoding="utf-8")
    assert run("plan", stems, "--session", song, "-q") == 0
    assert (
        capsys.readouterr().err == f"{song}: Unseen is called BlackBox now; the old name is read for one more version\n"
    )


@pytest.mark.skipif(sys.platform == "win32", reason="Windows sends no such signal to one process")
def test_a_real_interrupt(tmp_path):
    """A signal while strips are staged side by side ends the process with 130 and without a word from Python."""
    folder = tmp_path / "stems"
    folder.mkdir()
    rng = np.random.default_rng(1)
    for k in range(4):
        write(folder / f"{k}.wav", Audio(rng.uniform(-0.1, 0.1, (20 * RATE, 2)), RATE))
    (tmp_path / "chains.json").write_text('{"stems": {"*": ["Compressor", "Saturation", "Tape"]}}')
    words = "stage", folder, tmp_path / "out", "--chains", tmp_path / "chains.json", "--csv", tmp_path / "a.csv"
    code, out, seen = interrupted(words, b"strips")
    assert code == 130 and out == b"", seen
    assert b"Traceback" not in seen and b"Interrupted" in seen
    assert sorted(path.name for path in tmp_path.iterdir()) == ["chains.json", "stems"]


def test_progress_goes_to_the_error_stream(stems, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    assert run("stage", stems, tmp_path / "out", "--through", "bus") == 0
    out, err = capsys.readouterr()
    assert all(label in err for label in ("check", "strips", "verify", "stems")) and "% |" not in out


def test_a_screen_without_our_signs(stems):
    command = [sys.executable, "-m", "gainlib", "plan", str(stems), "-q"]
    done = subprocess.run(command, capture_output=True, env=os.environ | {"PYTHONIOENCODING": "ascii"}, check=False)
    assert done.returncode == 0, done.stderr
    assert b"gain in -> the average" in done.stdout and b"\\u" not in done.stdout


def test_help_is_complete(capsys):
    for verb, words in (
        ("plan", ("FOLDER", "--chains", "--session", "--target", "--drive", "--average", "--match", "--out", "--csv")),
        ("stage", ("FOLDER", "OUT", "--through", "--bits", "--gain-only", "black box", "--save")),
        ("sheets", ("compare", "OLD", "NEW", "--limit")),
    ):
        assert run(verb, "--help") == 0
        out = capsys.readouterr().out
        assert all(word in out for word in (*words, "exit code"))
