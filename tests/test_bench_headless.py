"""The bench from start to end without a page: untouched it says what is missing; used, it leaves whole files behind."""

import hashlib
import html
import json
import os
import re
from pathlib import Path

import nbclient
import nbformat
import numpy as np
import pytest
from markupsafe import escape
from roundtrips import RATE_HZ, played
from stemfolder import make, samples

from gainlib.audio import Audio, read, write
from gainlib.mix.console import cell_text, console_rows, console_table
from gainlib.mix.moves import said_once
from gainlib.notebook import Bench, kept
from gainlib.notebook.background import Stopped
from gainlib.notebook.bench_song import bench_folder
from gainlib.processors import BlackBox, Compressor, Filter, Saturation
from gainlib.session import Send, from_json

NOTEBOOK = Path(__file__).parent.parent / "labs" / "bench.ipynb"
STEPS = (
    "open", "guess", "checks", "chains", "measured", "balance", "plan", "by_hand", "listen", "take", "come_back",
)  # fmt: skip


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """An empty bench whose own folder is a new one, with every step on the page."""
    monkeypatch.setenv("GAINLIB_BENCH", str(tmp_path / "own"))
    bench = Bench()
    for step in STEPS:
        getattr(bench, step)()
    return bench


@pytest.fixture
def stems(tmp_path):
    """A folder of six stems and a chains file beside it."""
    return make(tmp_path / "My Song é")


def open_folder(bench, folder):
    """Open a folder in step 1."""
    step = bench.open()
    step.path.value = str(folder)
    step.open_song()
    assert step.said.state == "right", step.said.text
    return bench


def planned(bench, folder, chains=None):
    """Open, read chains, plan."""
    open_folder(bench, folder)
    if chains is not None:
        bench.chains().file.value = str(chains)
        bench.chains().read_file()
    bench.plan().make()
    verdict = "partly" if bench.song.plan.verification.told else "right"  # a black box stands in the bass
    assert bench.plan().said.state == verdict, bench.plan().said.text
    return bench


def digests(folder):
    """Return the checksum of every file in a folder."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


# ------------------------------------------------------------------------------------------------------- the notebook


def test_the_notebook_runs_untouched_and_says_what_comes_first(tmp_path, monkeypatch):
    monkeypatch.setenv("GAINLIB_BENCH", str(tmp_path))
    book = nbformat.read(NOTEBOOK, as_version=4)
    calls = "; ".join(f"print(bench.{step}().said.text)" for step in STEPS)
    book.cells.append(nbformat.v4.new_code_cell(calls))
    nbclient.NotebookClient(book, timeout=120, kernel_name="python3").execute()
    outputs = [output for cell in book.cells if cell.cell_type == "code" for output in cell.outputs]
    assert [o for o in outputs if o["output_type"] == "error" or o.get("name") == "stderr"] == []
    said = "".join(output["text"] for output in outputs if output.get("name") == "stdout")
    assert said.count("Open a song first") >= 3
    assert not any(tmp_path.iterdir())


def test_every_step_stands_in_the_notebook_in_order():
    book = nbformat.read(NOTEBOOK, as_version=4)
    source = [cell.source for cell in book.cells if cell.cell_type == "code"]
    assert [line for line in source if line.startswith("bench.")] == [
        "bench.safety()",
        *(f"bench.{step}()" for step in STEPS),
    ]
    text = "\n".join(cell.source for cell in book.cells if cell.cell_type == "markdown")
    assert "Run All Cells" in book.cells[0].source.splitlines()[0]
    for caution in ("Start low", "tweeters", "phantom power", "protective earth", "audiologist", "maker's manual"):
        assert caution in text


# ------------------------------------------------------------------------------------------------------------ opening


@pytest.mark.parametrize("dress", ['"{}"', "  {} ", "'{}'", "file://{}", "“{}”"])
def test_a_pasted_path_opens(bench, stems, dress):
    text = dress.format(str(stems[0]).replace(" ", "%20") if dress.startswith("file:") else stems[0])
    open_folder(bench, text)
    assert len(bench.song.session.strips) == 6


def test_backslashes_open(bench, stems, monkeypatch):
    monkeypatch.chdir(stems[0].parent)
    open_folder(bench, ".\\My Song é")
    assert bench.song.title == "My Song é"


def test_where_the_demo_is_asked_for_it_is_told(bench):
    step = bench.open()
    step.open_demo.click()
    assert step.said is step._slot_of(step.open_demo).said and step.said.word == "Opened"


@pytest.mark.parametrize("convert", [True, False])
def test_stems_at_other_rates_are_named_and_converted_or_left_out(bench, stems, tmp_path, convert):
    """A sine at another rate stays the sine that its formula gives at the rate of the others."""
    wave = 0.5 * np.sin(2 * np.pi * 997 * np.arange(66150) / 44100)
    write(stems[0] / "other rate.wav", Audio(wave, 44100), "PCM_24")
    before, step = digests(stems[0]), bench.open()
    step.path.value = str(stems[0])
    step.open_song()
    assert step.said.state == "partly" and bench.song.session is None
    assert "other rate (44100 Hz); the others are at 48000 Hz" in step.said.text
    (step.convert if convert else step.without)()
    assert step.said.state == "right" and "other rate (44100 Hz)" in bench.song.notes[0]
    assert ("other rate" in bench.song.session.names) is convert and bench.song.session.rate_hz == 48000
    if convert:
        source = bench.song.session.strip("other rate").audio
        wanted = 0.5 * np.sin(2 * np.pi * 997 * np.arange(72000) / 48000)
        assert source.path.parent == tmp_path / "own" / "converted" and source.frames == 72000
        assert np.abs(read(source.path).samples[:, 0] - wanted)[2000:-2000].max() < 1e-6
    assert digests(stems[0]) == before


@pytest.mark.parametrize(
    ("text", "words"), [("", "the field is empty"), ("nowhere", "no folder"), (r"Q:\Music\Song", "Windows drive")]
)
def test_what_cannot_be_opened_is_one_sentence(bench, text, words):
    step = bench.open()
    step.path.value = text
    step.open_song()
    assert step.said.state == "wrong" and words in step.said.text and step.said.text.count("\n") == 0


def test_a_damaged_file_is_named_and_the_others_open(bench, stems):
    whole = (stems[0] / "kick.wav").read_bytes()
    (stems[0] / "cut short.wav").write_bytes(whole[: len(whole) // 2])
    step = bench.open()
    step.path.value = str(stems[0])
    step.open_song()
    assert step.said.state == "partly" and "cut short.wav" in step.said.text
    assert len(bench.song.session.strips) == 6


def test_uploaded_stems_arrive_slice_by_slice_and_open(bench, stems, tmp_path):
    pick, step = bench.open().upload, bench.open()
    pick.heard({"begin": 7}, [])
    for path in (*sorted(stems[0].iterdir()), stems[1].with_name("virus.exe")):
        content = path.read_bytes() if path.exists() else b"MZ"
        for at in range(0, len(content), 50_000):
            pick.heard({"name": path.name, "size": len(content), "at": at}, [content[at : at + 50_000]])
    pick.heard({"end": True}, [])
    (folder,) = (tmp_path / "own" / "uploads").iterdir()
    assert {path.name for path in folder.iterdir()} == {path.name for path in stems[0].iterdir()}
    assert digests(folder) == digests(stems[0])
    assert len(bench.song.session.strips) == 6 and "virus.exe" in step.said.text
    assert str(folder) == step.path.value


def test_an_upload_that_breaks_off_leaves_no_stem(bench, tmp_path):
    pick = bench.open().upload
    pick.heard({"begin": 1}, [])
    pick.heard({"name": "../../kick.wav", "size": 100, "at": 0}, [b"x" * 50])
    (folder,) = (tmp_path / "own" / "uploads").iterdir()
    assert [path.name for path in folder.iterdir()] == [".kick.wav.part"]
    pick.heard({"begin": 1}, [])
    assert not folder.exists()


# ------------------------------------------------------------------------------------------------------------- checks


def test_faults_are_named_with_evidence_and_possible_where_it_is(bench, stems):
    folder = stems[0]
    total = sum(samples(kind)[:, [0, -1]] for kind in ("kick", "bass", "guitar", "tom")) / 4
    write(folder / "old mix.wav", Audio(total, 48000), "PCM_24")
    write(folder / "bass again.wav", Audio(samples("bass") / 2, 48000), "PCM_24")
    write(folder / "short.wav", Audio(samples("hat", 0.7), 48000), "PCM_24")
    for side in ("L", "R"):
        write(folder / f"piano {side}.wav", Audio(samples("guitar")[:, [int(side == "R")]], 48000), "PCM_24")
    open_folder(bench, folder)
    bench.checks().look()
    found = {(each.strip, each.tag, each.sure) for stem in bench.song.stems for each in stem.findings}
    related = {"old mix": "mix print", "short": "length mismatch", "piano L": "split stereo"}
    assert {(name, tag, False) for name, tag in related.items()} <= found
    assert ("vocal", "DC", True) in found
    assert {strip for strip, tag, _ in found if tag == "duplicate"} & {"bass", "bass again"}
    shown = bench.checks().findings.value
    assert "possible findings</summary>" in shown and "% of full scale" in shown
    assert "switches the DC block on" in shown and "brings it to −20 dBFS" not in shown
    hot = bench.song.session.with_("vocal", inserts=[BlackBox(-20.0)])
    bench.song.change(hot, "chains")
    assert "brings it to −20 dBFS ahead of its first" in bench.checks().findings.value
    assert "Too low: short, vocal." in bench.checks()._picture.children[0].sentence
    assert all(f"{name}<" in bench.checks().levels.value for name in bench.song.session.names)
    bench.checks().which.value = "old mix"
    bench.checks().leave_out()
    assert "old mix" not in bench.song.session.names


# ------------------------------------------------------------------------------------------------------------- chains


def test_chains_are_put_together_box_by_box(bench, stems):
    open_folder(bench, stems[0])
    step = bench.chains()
    step.which.value = "kick"
    step.add()
    step.kind.value = "Compressor"
    step.add()
    step.rows[0].fields["reference_dbfs"].value = "−20,5 dBFS"
    step.rows[1].fields["ratio"].value = "4"
    step.rows[1].around["out_db"].value = "2.5"
    first, second = bench.song.session.strip("kick").inserts
    assert first.processor == BlackBox(-20.5)
    assert second.processor == Compressor(ratio=4.0) and second.out_db == 2.5
    step.rows[1].earlier.click()
    assert [each.kind for each in bench.song.session.strip("kick").inserts] == ["Compressor", "BlackBox"]
    step.rows[0].remove.click()
    assert [each.kind for each in bench.song.session.strip("kick").inserts] == ["BlackBox"]
    step.clear.click()
    assert bench.song.session.strip("kick").inserts == ()


def enter(bench, names, field, value):
    """Enter something in the table of channels as the page does; return the song as it is then."""
    bench.chains().table.heard({"row": names[0], "names": names, "field": field, "value": value})
    return bench.song.session


def test_a_session_is_put_together_in_the_table_and_taken_back(bench, stems):
    open_folder(bench, stems[0])
    step, start = bench.chains(), bench.song.session
    song = enter(bench, ["kick", "tom 1"], "to", "drums")
    assert song.strip("kick").to == song.strip("tom 1").to == ("drums",) and song.group("drums").to == ("bus",)
    song = enter(bench, ["vocal"], "sends", "echo −12,5 dB, cue -6 pre")
    assert song.strip("vocal").sends == (Send("echo", -12.5), Send("cue", -6.0, "pre"))
    song = enter(bench, ["cue"], "to", "nowhere")
    song = enter(bench, ["kick", "bass", "drums", "master"], "trim_db", "−3,5")
    assert song.strip("bass").trim_db == song.group("drums").trim_db == song.master.trim_db == -3.5
    song = enter(bench, ["kick"], "dc_block", True)
    step.which.value = "kick"
    step.add()
    song = enter(bench, ["hat", "tom 1"], "chain", "kick")
    assert song.strip("hat").inserts == song.strip("tom 1").inserts == song.strip("kick").inserts
    for field, value, word in (
        ("trim_db", "loud", "loud"), ("post_trim_db", "900", "−120 to 60 dB"), ("to", "bass", "'bass' is a strip"),
        ("sends", "−3", "names no group"), ("to", "echo, vocal", "'vocal' is a strip"),
    ):  # fmt: skip
        assert enter(bench, ["kick"], field, value) is song and step.said.state == "wrong"
        assert word in step.said.text and "kick: " in step.said.text
    assert enter(bench, ["drums"], "to", "drums") is song and "loop" in step.said.text
    step.table.heard({"do": "down", "name": "bass"})
    assert bench.song.session.names[:2] == ("guitar é", "bass") and bench.balance().faders.names[0] == "guitar é"
    bench.balance().faders.set_values({"kick": -6.0})
    bench.balance().faders.released += 1
    step.table.heard({"do": "remove", "name": "drums"})
    assert bench.song.session.strip("kick").to == ("bus",) and "drums" not in bench.song.session.names
    whole, path = bench.song.session, stems[0].parent / "by table.toml"
    step.file.value = str(path)
    step.write_file()
    text = path.read_text(encoding="utf-8")
    while not step.undo.disabled:
        step.undo.click()
    assert bench.song.session == start.with_("kick", fader_db=-6.0)  # the balance is another matter
    step.read_file()
    assert bench.song.session == whole
    step.write_file()
    assert path.read_text(encoding="utf-8") == text and whole.strip("bass").trim_db == -3.5
    step.undo()
    step._picked("mine.toml", step.download._make()[1] + b"[stems.kik]")
    assert step.said.state == "wrong" and "mine.toml: line " in step.said.text and "'kick'" in step.said.text
    step._picked("mine.toml", text.encode())
    assert bench.song.session == whole and step.download._make() == ("chains.toml", text.encode())
    step.file.value = str(stems[0] / "kick.wav")
    step.write_file()
    assert "ends in .toml" in step.said.text


def test_a_group_named_by_mistake_goes_again(bench, stems):
    open_folder(bench, stems[0])
    enter(bench, ["kick"], "to", "drms")
    assert enter(bench, ["kick"], "to", "drums").names[-1] == "drums"
    enter(bench, ["drums"], "trim_db", "2")
    assert enter(bench, ["kick"], "to", "").names[-1] == "drums"  # something was set there


@pytest.mark.parametrize("text", ["loud", "−400", ""])
def test_a_setting_a_box_cannot_have_is_refused_and_changes_nothing(bench, stems, text):
    open_folder(bench, stems[0])
    step = bench.chains()
    step.add()
    before = bench.song.session
    step.rows[0].fields["reference_dbfs"].value = text
    assert step.said.state == "wrong" and bench.song.session is before


def test_a_chains_file_brings_chains_groups_and_balance(bench, stems):
    open_folder(bench, stems[0])
    bench.chains().file.value = f'"{stems[1]}"'
    bench.chains().read_file()
    assert bench.song.session.strip("bass").fader_db == -8.0
    assert bench.balance().faders.as_dict()["bass"] == -8.0
    assert "echo" in bench.balance().faders.names


@pytest.mark.parametrize(("box", "kinds"), [(Saturation(), ["BlackBox"]), (Filter("peaking", 1000.0, 1.0, 4.0), [])])
def test_a_box_is_measured_by_the_recording_of_a_test_file(bench, stems, tmp_path, box, kinds):
    """What depends on level gets a box with the reference of the model itself; what does not gets none."""
    open_folder(bench, stems[0])
    step = bench.measured()
    step.which.value = "kick: one more at the end"
    step.probe.value = str(tmp_path / "test file.wav")
    step.write()
    assert step.said.state == "right", step.said.text
    played = read(tmp_path / "test file.wav")
    write(tmp_path / "recorded.wav", box.process(played), "FLOAT")
    step.recorded.value = str(tmp_path / "recorded.wav")
    step.read()
    assert step.said.word == "Measured", step.said.text
    inserts = bench.song.session.strip("kick").inserts
    assert [each.kind for each in inserts] == kinds
    assert all(abs(each.processor.reference_dbfs - box.reference_dbfs) < 1.0 for each in inserts)
    assert list(bench.song.rack) == ["kick box"] and "kick box" in step.racked.value


def test_a_recording_read_where_a_box_stands_measures_that_box(bench, stems, tmp_path):
    """It stands in two chains by one name: read once it is known in both, as the step of chains shows."""
    open_folder(bench, stems[0])
    chains, step = bench.chains(), bench.measured()
    for name in ("kick", "bass"):
        chains.which.value = name
        chains.add()
        chains.rows[0].fields["name"].value = "opto"
    assert step.which.value == "kick, processor 1: black box “opto”"
    sent = Audio(played()[:, np.newaxis], RATE_HZ)
    write(tmp_path / "recorded.wav", Saturation().process(sent), "FLOAT")
    step.recorded.value = str(tmp_path / "recorded.wav")
    step.read()
    assert "“opto” is in your rack. It is known wherever “opto” stands" in step.said.text
    for name in ("kick", "bass"):
        (insert,) = bench.song.session.strip(name).inserts
        assert insert.processor == bench.song.rack["opto"].box and insert.processor.measured
    title = chains.rows[0].children[0].value
    assert title == "1 · black box “opto”, built for −18.0 dBFS, measured"
    chains.which.value = "hat"
    chains.kind.value = "rack: opto"
    chains.add()
    assert bench.song.session.strip("hat").inserts[0].processor.measured
    bench.plan().make()
    assert bench.song.plan.verification.verdict == "verified" and bench.plan().said.word == "Verified"
    assert "kick, processor 1, black box “opto”: measured: built for −18.0 dBFS" in bench.plan().words.value
    write(tmp_path / "music.wav", sent.with_samples(0.1 * sent.samples[::-1]), "FLOAT")
    step.recorded.value = str(tmp_path / "music.wav")
    step.read()
    assert step.said.state == "wrong" and step.facts.value == "" and step._picture.children == ()


def test_a_softer_test_file_is_there_to_choose(bench, tmp_path):
    step = bench.measured()
    step.probe.value, step.level.value = str(tmp_path / "softer.wav"), "−20"
    step.write()
    assert np.abs(read(tmp_path / "softer.wav").samples).max() == pytest.approx(10 ** (-20 / 20), rel=0.01)
    step.probe.value, step.level.value = str(tmp_path / "louder.wav"), "3"
    step.write()
    assert "−30 to 0 dBFS" in step.said.text and not (tmp_path / "louder.wav").exists()


# ------------------------------------------------------------------------------------------------------------ balance


def test_the_meters_follow_the_faders_without_rendering(bench, stems):
    open_folder(bench, stems[0])
    step = bench.balance()
    step.measure()
    assert "follow the faders" in step.said.text
    before = step._picture.children[0].moving
    step.faders.set_values({"kick": -12.0, "bass": -9.5})
    step.pans["hat"].value = 0.5
    assert step._picture.children[0].moving != before
    session = bench.song.session
    assert (session.strip("kick").fader_db, session.strip("hat").pan) == (-12.0, 0.5)
    true_peak = session.render().reading("bus").true_peak_dbtp
    wanted = f"true peak {true_peak:+.1f} dBTP".replace("-", "−")
    assert wanted in step.said.text
    step.hear()
    assert step.said.word == "Ready"
    step.faders.set_values({"bass": -20.0})
    (player,) = step._sound.children
    assert player.mixes[0]["values"]["bass"]["fader_db"] == -20.0  # and what is heard has followed
    assert {tie["model"] for tie in player.ties} >= {f"IPY_MODEL_{pan.model_id}" for pan in step.pans.values()}


def test_a_fader_may_stand_above_the_usual_top(bench, stems):
    open_folder(bench, stems[0])
    bench.song.change(bench.song.session.with_("vocal", fader_db=18.0), "balance")
    step = bench.balance()
    assert step.faders.as_dict()["vocal"] == 18.0 and step.top.value == 20.0
    step.top.value = 9.995
    assert "bring it down" in step.said.text and step.top.value == 20.0
    step.faders.set_values({"vocal": 3.0})
    step.top.value = 9.995
    assert step.faders.law["exponent"] == 4.0


def test_a_balance_is_taken_from_a_saved_song(bench, stems, tmp_path):
    open_folder(bench, stems[0])
    saved = {"strips": [{"name": "kick", "fader_db": "-inf", "pan": -0.5, "mute": True}, {"name": "gone"}]}
    (tmp_path / "old.json").write_text(json.dumps(saved))
    bench.balance().file.value = str(tmp_path / "old.json")
    bench.balance().read_balance()
    kick = bench.song.session.strip("kick")
    assert (kick.fader_db, kick.pan, kick.mute) == (-np.inf, -0.5, True)
    assert "not in this song: gone" in bench.balance().said.text
    assert bench.balance().faders.mute == ["kick"]


# --------------------------------------------------------------------------------------------- plan, listen, take away


def test_every_move_has_its_place_and_reason_and_a_change_ends_the_plan(bench, stems):
    planned(bench, *stems)
    step = bench.plan()
    shown = step.moves.value
    for move in bench.song.plan.moves:
        assert escape(move.place) in shown
    lines = list(console_table(console_rows(bench.song.plan)))
    assert shown.count("<tr>") == len(lines) + 1 + len(said_once(bench.song.plan.moves)) + 1
    for _, cells in lines:
        assert all(escape(cell_text(cell)) in shown for cell in cells)
    bench.balance().faders.set_values({"kick": -3.0})
    assert bench.song.plan is None and step.moves.value == ""
    bench.take().write_sheets()
    assert "no plan" in bench.take().said.text


def test_a_difference_between_hand_and_plan_wants_a_reason(bench, stems):
    """The common move is one decision; a fader the plan brings to unity stands in the list with both its values."""
    open_folder(bench, stems[0])
    bench.balance().faders.set_values({"kick": -9.0, "hat": 2.0})
    bench.plan().make()
    step = bench.by_hand()
    step.compare.click()
    shown = {each.children[0].description: each.children[1].value for each in step._list.children}
    assert set(shown["kick:"].split("; ")) == {
        "fader: you −9.0 dB, plan 0.0 dB", "output trim: you 0.0 dB, plan −9.0 dB",
    }  # fmt: skip
    assert "hat:" not in shown
    assert "0 have a reason" in step.said.text
    for each in step.rows:
        each.value = each.options[-1]
    assert step.said.word == "Explained" and f"All {len(shown)} strips" in step.said.text


def test_before_and_after_are_matched_for_the_ear(bench, stems):
    planned(bench, *stems)
    bench.listen().render()
    player = bench.listen().player
    assert player.names == ["before", "after"] and player.match


def test_what_is_taken_away_is_whole_and_the_originals_are_untouched(bench, stems, tmp_path):
    before = digests(stems[0])
    planned(bench, *stems)
    step = bench.take()
    step.sheets_to.value, step.stems_to.value = str(tmp_path / "sheets"), f'"{tmp_path / "staged"}"'
    step.upto.value, step.words.value = "bus", "FLOAT"
    step.write_sheets()
    assert step.said.state == "right" and "Bus report" in step.report.value
    step.write_stems()
    assert step.said.state == "right" and "6 originals were compared and are unchanged" in step.said.text
    names = {"plan.html", "plan.csv", "levels.csv", "hand-off.txt", "session.json"}
    assert {path.name for path in (tmp_path / "sheets").iterdir()} == names
    assert digests(stems[0]) == before
    total = sum(read(path).samples.astype(float) for path in (tmp_path / "staged").glob("*.wav"))
    bus = bench.song.plan.session.render().bus.samples
    assert 10 * np.log10(np.sum((total - bus) ** 2) / np.sum(bus**2)) < -90
    again = from_json((tmp_path / "sheets" / "session.json").read_text(), tmp_path / "sheets")
    assert again.strip("kick").trim_db == bench.song.plan.session.strip("kick").trim_db


def test_a_folder_with_something_in_it_is_refused(bench, stems, tmp_path):
    planned(bench, stems[0])
    bench.take().stems_to.value = str(stems[0])
    bench.take().write_stems()
    assert bench.take().said.state == "wrong" and "not empty" in bench.take().said.text


def test_a_song_is_saved_and_reopened(bench, stems, tmp_path):
    planned(bench, *stems)
    bench.balance().faders.set_values({"kick": -4.5})
    bench.take().song_to.value = str(tmp_path / "song.json")
    bench.take().save_song()
    assert bench.take().said.state == "right", bench.take().said.text
    session = bench.song.session
    open_folder(bench, tmp_path / "song.json")
    assert bench.song.session is not session
    assert [s.fader_db for s in bench.song.session.strips] == [s.fader_db for s in session.strips]
    assert [s.inserts for s in bench.song.session.strips] == [s.inserts for s in session.strips]


def test_what_changed_since_an_earlier_sheet_is_told(bench, stems, tmp_path):
    planned(bench, *stems)
    step = bench.take()
    step.sheets_to.value = str(tmp_path / "sheets")
    step.write_sheets()
    bench.balance().faders.set_values({"kick": -9.0})
    bench.plan().make()
    step.against.value = str(tmp_path / "sheets")
    step.compare()
    assert step.said.state == "right" and "kick" in step.changes.value and "output trim" in step.changes.value


@pytest.mark.parametrize("which", ["plan", "sheets", "stems"])
def test_what_is_stopped_leaves_nothing(bench, stems, tmp_path, which):
    open_folder(bench, stems[0])
    work = bench.song.work
    step, begin = bench.plan(), bench.plan().make
    if which != "plan":
        bench.plan().make()
        step = bench.take()
        step.sheets_to.value, step.stems_to.value = str(tmp_path / "out"), str(tmp_path / "out")
        begin = step.write_sheets if which == "sheets" else step.write_stems
        bench.song.stems = ()
    plan, inside = bench.song.plan, sorted(os.listdir(tmp_path))

    def halting(share, text):
        raise Stopped

    now = work.now
    work.now = lambda task, done: now(task, done, halting)
    begin()
    assert step.said.word == "Stopped", step.said.text
    assert bench.song.plan is plan and sorted(os.listdir(tmp_path)) == inside


# ------------------------------------------------------------------------------------------------------ back from there


def test_a_print_as_planned_and_one_that_is_off_are_told_apart(bench, stems, tmp_path):
    planned(bench, stems[0])
    bus = bench.song.plan.session.render().bus
    write(tmp_path / "good.wav", bus, "PCM_24")
    write(tmp_path / "loud.wav", bus.with_samples(bus.samples * 10 ** (1 / 20)), "PCM_24")
    step = bench.come_back()
    step.mix.value = str(tmp_path / "good.wav")
    step.compare_mix()
    assert step.said.word == "As planned" and "it is the planned mix" in step.words.value
    step.mix.value = str(tmp_path / "loud.wav")
    step.compare_mix()
    assert step.said.word == "Not as planned" and "+1.00 dB" in step.said.text


def test_printed_stems_are_compared_by_name(bench, stems, tmp_path):
    planned(bench, stems[0])
    trace = bench.song.plan.session.render()
    (tmp_path / "prints").mkdir()
    for name, gain_db in (("kick", 0.0), ("bass", 0.4), ("hat", -0.8)):
        audio = trace.audio(f"{name}/out")
        write(tmp_path / "prints" / f"{name}.wav", audio.with_samples(audio.samples * 10 ** (gain_db / 20)), "FLOAT")
    write(tmp_path / "prints" / "stranger.wav", trace.audio("kick/out"), "FLOAT")
    step = bench.come_back()
    step.folder.value = str(tmp_path / "prints")
    step.compare_stems()
    assert step.said.word == "Not as planned" and "1 of 3 stems off: hat" in step.said.text
    assert "missing: " in step.said.text and "vocal: planned, but there is no print of it" in step.words.value
    assert "stranger: a print that belongs to no strip" in step.words.value
    assert "0.8 dB too soft (compare its gains with the sheet" in step.figures.value


def test_names_and_paths_are_shown_as_they_are(bench, tmp_path):
    """Markdown would take the signs of a path of Windows, of a starred or bracketed name, for its own."""
    name = r"C:\_old\[x](y) *a* $b$ <i>"
    bench.open().tell("note", "Opened", name)
    shown = re.sub(r"<[^>]*>", "", bench.open().said.html)
    assert html.unescape(shown).strip() == name


def test_the_bench_has_a_folder_of_its_own(tmp_path, monkeypatch):
    monkeypatch.delenv("GAINLIB_BENCH", raising=False)
    monkeypatch.setenv("GAINLIB_RECORDS", str(tmp_path / "records"))
    assert bench_folder() == tmp_path / "bench"


# ---- what is kept ----------------------------------------------------------------------------------------------------


def again():
    """Return a new bench with every step on the page, as after a restart."""
    kept._at_the_end()
    bench = Bench()
    for step in STEPS:
        getattr(bench, step)()
    return bench


def test_a_bench_stands_as_it_was_left(bench, stems):
    open_folder(bench, stems[0])
    chains, balance = bench.chains(), bench.balance()
    chains.which.value = bench.song.session.names[1]
    chains.kind.value = "Compressor"
    chains.add()
    enter(bench, [chains.which.value], "trim_db", "−3")
    balance.faders.set_values({bench.song.session.names[0]: -7.5})
    balance.faders.mute = [bench.song.session.names[2]]
    balance.faders.released += 1
    balance.master.value_db = -2.0
    balance.master.released += 1
    next(iter(balance.pans.values())).value = 0.4
    balance.bus.value = "fixed"
    guess = bench.guess()
    guess.levels.rows[1].fields[0].value = "−2"
    guess.faults.put_on()
    bench.plan().target.value = "−4"
    there = again()
    assert there.song.session == bench.song.session and there.song.home == bench.song.home
    assert there.open().said.state == "right" and "as you left it" in there.open().said.text
    assert there.balance()._on_page() == balance._on_page()
    assert there.chains().which.value == chains.which.value and len(there.chains().rows) == 1
    assert there.guess().levels.rows[1].fields[0].value == "−2" and there.guess().faults.listed == guess.faults.listed
    assert there.plan().target.value == "−4"


def test_what_the_page_has_shown_is_remembered(bench, stems):
    open_folder(bench, stems[0])
    bench.checks().look()
    there = again()
    looked = there.guess().levels._looked
    assert looked.levels == set(bench.song.session.names) and looked.findings


def test_a_song_whose_stems_have_gone_is_named(bench, stems):
    open_folder(bench, stems[0])
    kept._at_the_end()
    for path in stems[0].iterdir():
        path.unlink()
    there = again()
    assert there.song.session is None and "cannot be opened" in there.open().said.text


def test_another_song_asks_where_something_was_done(bench, stems):
    open_folder(bench, stems[0])
    step = bench.open()
    step.open_song.click()
    assert step.question.layout.display == "none", "nothing was done to it"
    bench.balance().faders.set_values({bench.song.session.names[0]: -7.5})
    step.open_demo.click()
    assert step.question.layout.display is None and bench.song.title != "Demo song in A minor"
    step.question.no.click()
    assert bench.song.session.strips[0].fader_db == -7.5
    step.open_demo.click()
    step.question.yes.click()
    assert bench.song.title == "Demo song in A minor"


def test_one_undo_goes_over_the_whole_balance(bench, stems):
    open_folder(bench, stems[0])
    balance, names = bench.balance(), bench.song.session.names
    stood = [balance._on_page()]

    def did(move):
        move()
        stood.append(balance._on_page())
        assert stood[-1] != stood[-2]

    did(lambda: balance.faders.set_values({names[0]: -7.5}))
    did(lambda: balance.pans[names[1]].set_trait("value", 0.5))
    did(lambda: balance.master.set_values([-3.0]))
    did(lambda: (setattr(balance.faders, "mute", [names[2]]), balance.faders.set_trait("released", 99)))
    did(lambda: balance.pan_law.set_trait("value", -4.5))
    did(lambda: balance.bus.set_trait("value", "fixed"))
    balance.to_start.click()
    balance.question.yes.click()
    assert balance._on_page() == stood[0]
    bench = again()
    balance = bench.balance()
    for expected in reversed(stood):
        balance.back.click()
        assert balance._on_page() == expected
        rows = [(each.name, each.fader_db, each.pan, each.mute) for each in bench.song.session.strips]
        assert rows == list(expected[0][: len(rows)])
    assert balance.back.disabled


def test_two_tabs_on_one_bench(bench, stems):
    other = Bench()
    first = other.open()
    open_folder(bench, stems[0])
    kept._at_the_end()
    other._kept._store.look()
    first.question.yes.click()
    assert other.song.session == bench.song.session
