"""Staged stems: what is in them, against numpy, scipy and libsndfile; what is never written; what is left alone.

Files are read back with the soundfile library alone, and gains worked out with numpy.
"""

import hashlib
import shutil

import numpy as np
import pytest
import soundfile
from scipy import signal
from stemfolder import RATE, energy_db, make, samples

from gainlib.audio import Audio, GainlibError, read, write
from gainlib.mix import apply_chains, export, plan, write_stems
from gainlib.mix.paths import file_name
from gainlib.processors import Compressor, Filter, Limiter, Tremolo
from gainlib.session import Group, Insert, Master, Send, Session, Strip, open_folder
from gainlib.session.render import blocks


@pytest.fixture(scope="module")
def stems(tmp_path_factory):
    """Return a folder of six stems and its session with chains."""
    folder, chains = make(tmp_path_factory.mktemp("own") / "stems")
    session, _ = apply_chains(open_folder(folder), chains.read_text(encoding="utf-8"))
    return folder, session


@pytest.fixture(scope="module")
def planned(stems):
    """Return the plan of that session."""
    return plan(stems[1])


def total(folder, frames):
    """Return the sum of all WAV files of a folder, read by libsndfile."""
    out = np.zeros((frames, 2))
    for path in sorted(folder.glob("*.wav")):
        data, rate = soundfile.read(path, always_2d=True)
        assert rate == RATE and data.shape == (frames, 2)
        out += data
    return out


def digests(folder):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir() if path.is_file()}


# ---- to the bus ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("subtype", "depth_db"), [("PCM_24", -90.0), ("FLOAT", -120.0)])
def test_the_sum_of_stems_up_to_the_bus_nulls_against_the_bus(stems, planned, tmp_path, subtype, depth_db):
    before = digests(stems[0])
    result = write_stems(planned, tmp_path / "out", through="bus", subtype=subtype)
    bus = planned.session.render().bus.samples
    depth = energy_db(total(tmp_path / "out", len(bus)) - bus) - energy_db(bus)
    assert depth < depth_db
    assert result.null_db == pytest.approx(depth, abs=0.5)
    assert digests(stems[0]) == before and result.originals == 6


def test_linear_groups_are_opened_and_others_come_as_one_file(planned, tmp_path):
    result = write_stems(planned, tmp_path / "out", through="bus")
    assert {file.strip for file in result.files} == {"kick", "bass", "vocal", "guitar é", "hat", "echo", "drums"}
    guitar, _ = soundfile.read(tmp_path / "out" / "guitar é.wav")
    wanted = planned.session.render().audio("strings/out").samples  # it is alone in there
    assert energy_db(guitar - wanted) - energy_db(wanted) < -90


def test_a_crowd_of_groups_nulls():
    """Groups into groups, sends to the bus, a strip in two sums, a linear chain on the master that changes in time."""
    rng = np.random.default_rng(4)
    strips = [
        Strip(
            f"s{k}",
            Audio(0.1 * rng.standard_normal((9000 + 500 * k, 1 + k % 2)), RATE),
            pan=0.2 * k - 0.4,
            to=to,
            sends=(Send("room", -6.0), Send("bus", -20.0, "pre")) if k == 1 else (),
        )
        for k, to in enumerate([("bus",), ("inner",), ("bus", "crush"), ("outer",), ("inner", "crush")])
    ]
    groups = (
        Group("inner", to="outer", inserts=(Insert(Filter("peaking", 800, 1, 6)),), sends=(Send("room", -9.0),)),
        Group("outer", fader_db=-2.0, pan=0.3),
        Group("crush", inserts=(Insert(Compressor(-30, 6)),), to=("outer",)),
        Group("room", inserts=(Insert(Filter("lowpass", 2000)),)),
    )
    master = Master(inserts=(Insert(Filter("highshelf", 4000, 0.7, -3)), Insert(Tremolo(3.0, 0.3))), fader_db=-1.0)
    session = Session(strips, groups, master)
    bus = session.render().bus.samples
    parts = list(export.to_bus(session))
    assert [part.strip for part in parts] == ["s0", "s1", "s2", "s3", "s4", "crush", "room"]
    assert {part.frames for part in parts} == {len(bus)}
    summed = sum(np.concatenate(list(blocks(part.session, part.node, frames=part.frames))) for part in parts)
    assert energy_db(summed - bus) - energy_db(bus) < -250


def test_a_master_that_depends_on_level_is_left_out_and_said(tmp_path):
    strips = (Strip("a", Audio(samples("bass"), RATE)), Strip("b", Audio(samples("tom"), RATE)))
    result = plan(Session(strips, master=Master(inserts=(Insert(Limiter(-1.0)),))))
    told = write_stems(result, tmp_path / "out", through="bus")
    entering = result.session.render().audio("bus/in").samples
    assert energy_db(total(tmp_path / "out", len(entering)) - entering) - energy_db(entering) < -90
    assert any("holds limiter, which" in note and "enters the master" in note for note in told.notes)


def test_muted_strips_bring_nothing(tmp_path):
    strips = (Strip("a", Audio(samples("bass"), RATE)), Strip("b", Audio(samples("tom"), RATE), mute=True))
    assert [f.strip for f in write_stems(plan(Session(strips)), tmp_path / "out", through="bus").files] == ["a"]


def test_black_boxes_are_said(planned, tmp_path):
    notes = write_stems(planned, tmp_path / "out", through="bus").notes
    assert any("bass" in note and "black boxes" in note for note in notes)
    assert "black boxes" in (tmp_path / "out" / "ABOUT.txt").read_text(encoding="utf-8")


# ---- to the trim -----------------------------------------------------------------------------------------------------


def first_order_5_hz(x):
    """Return a first-order 5 Hz high-pass by scipy's bilinear transform, pre-warped (textbook)."""
    warped = 2 * RATE * np.tan(np.pi * 5 / RATE)
    b, a = signal.bilinear([1, 0], [1, warped], RATE)
    return signal.lfilter(b, a, x, axis=0)


def test_up_to_the_trim_is_source_times_gain(planned, tmp_path):
    result = write_stems(planned, tmp_path / "out", subtype="FLOAT")
    assert result.null_db is None
    session = planned.session
    for name, kind in (("kick", "kick"), ("guitar é", "guitar"), ("vocal", "vocal")):
        data, _ = soundfile.read(tmp_path / "out" / f"{name}.wav", always_2d=True)
        source = samples(kind)
        if kind == "vocal":
            assert session.strip(name).dc_block
            source = first_order_5_hz(source)
        sign = -1 if kind == "guitar" else 1
        wanted = sign * source * 10 ** (session.strip(name).trim_db / 20)
        limit = {"kick": 2**-22, "guitar": 1e-6, "vocal": 2**-14 * 10 ** (session.strip(name).trim_db / 20)}[kind]
        assert data.shape == wanted.shape and np.abs(data - wanted).max() < limit


def test_staged_stems_in_place_of_the_raw_ones_make_the_same_bus(planned, tmp_path):
    write_stems(planned, tmp_path / "out", subtype="FLOAT")
    loaded = tuple(
        strip.with_(audio=read(tmp_path / "out" / f"{strip.name}.wav"), polarity=1, dc_block=False, trim_db=0.0)
        for strip in planned.session.strips
    )
    session = planned.session.with_(strips=loaded)
    was, now = planned.session.render().bus.samples, session.render().bus.samples
    assert energy_db(now - was) - energy_db(was) < -110
    # The vocal is left out: in 1.5 s the start of its DC block still shows in the mean.
    moves = [move for move in plan(session).moves if abs(move.change_db) > 0.05 and move.strip != "vocal"]
    assert moves == []


def test_gain_only_leaves_the_offset_in_and_says_so(planned, tmp_path):
    result = write_stems(planned, tmp_path / "out", subtype="FLOAT", gain_only=True)
    data, _ = soundfile.read(tmp_path / "out" / "vocal.wav")
    assert data.mean() == pytest.approx(0.06 * 10 ** (planned.session.strip("vocal").trim_db / 20), rel=0.01)
    assert any("DC block" in note and "vocal" in note for note in result.notes)


def test_a_stem_on_which_nothing_is_set_is_kept_bit_by_bit(stems, planned, tmp_path):
    result = write_stems(planned, tmp_path / "out")
    assert planned.session.strip("tom 1").trim_db == 0.0
    ours, theirs = (
        soundfile.read(path, dtype="int32")[0] for path in (tmp_path / "out" / "tom 1.wav", stems[0] / "tom 1.wav")
    )
    assert np.array_equal(ours, theirs)
    dithered = {file.strip: file.dithered for file in result.files}
    assert dithered == {
        "kick": True, "bass": True, "vocal": True, "guitar é": True, "tom 1": False, "hat": False,
    }  # fmt: skip


def test_shortened_words_carry_triangular_dither(tmp_path):
    """The error is white noise of q²/4 that does not follow the signal (Lipshitz, Wannamaker, Vanderkooy 1992)."""
    source = Audio(0.1 * np.sin(2 * np.pi * 50 * np.arange(RATE) / RATE), RATE)
    result = plan(Session((Strip("tone", source, polarity=-1),)))
    write_stems(result, tmp_path / "out")
    data, _ = soundfile.read(tmp_path / "out" / "tone.wav")
    error = (data + source.samples[:, 0]) * 2**23
    assert error.var() == pytest.approx(0.25, rel=0.05)
    assert abs(np.corrcoef(error, source.samples[:, 0])[0, 1]) < 0.02
    assert abs(np.corrcoef(error[1:], error[:-1])[0, 1]) < 0.02


# ---- what is refused -------------------------------------------------------------------------------------------------


def loud(tmp_path):
    """Return the plan of a folder with a strip whose trim puts it over full scale."""
    folder = tmp_path / "loud"
    folder.mkdir()
    write(folder / "a.wav", Audio(samples("hat"), RATE))
    write(folder / "boom.wav", Audio(samples("tom"), RATE))
    session = open_folder(folder)
    return plan(session.with_("boom", trim_db=12.0, fader_db=-12.0))


def test_what_would_clip_is_refused_with_strip_and_peak(tmp_path):
    result = loud(tmp_path)
    peak = 20 * np.log10(np.abs(samples("tom")).max()) + 12.0
    with pytest.raises(GainlibError, match=rf"boom: .*\+{peak:.1f} dBFS.*24 bit.*32-bit float"):
        write_stems(result, tmp_path / "out")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["loud"]
    write_stems(result, tmp_path / "out", subtype="FLOAT")
    assert np.abs(soundfile.read(tmp_path / "out" / "boom.wav")[0]).max() == pytest.approx(10 ** (peak / 20), rel=1e-3)


def test_a_plan_that_failed_its_verification_is_not_exported(stems, planned, tmp_path):
    from dataclasses import replace

    check = replace(planned.verification.checks[0], measured=0.0)
    failed = replace(planned, verification=replace(planned.verification, checks=(check,)))
    with pytest.raises(GainlibError, match="could not be verified"):
        write_stems(failed, tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("what", ["full", "file", "no parent", "hidden"])
def test_a_folder_that_holds_something_is_refused(planned, tmp_path, what):
    target = tmp_path / "out"
    if what == "file":
        target.write_text("mine")
    elif what == "no parent":
        target = target / "deep"
    else:
        target.mkdir()
        (target / (".x" if what == "hidden" else "mine.wav")).write_text("mine")
    before = sorted(path.name for path in tmp_path.rglob("*"))
    with pytest.raises(GainlibError, match=r"not empty|is a file|does not exist"):
        write_stems(planned, target)
    assert sorted(path.name for path in tmp_path.rglob("*")) == before


def test_an_empty_folder_is_taken(planned, tmp_path):
    (tmp_path / "out").mkdir()
    assert len(write_stems(planned, tmp_path / "out").files) == 6
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]


def test_a_place_that_cannot_be_written_is_said(planned, tmp_path, monkeypatch):
    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("pathlib.Path.mkdir", refuse)
    with pytest.raises(GainlibError, match="cannot be made"):
        write_stems(planned, tmp_path / "out")


@pytest.mark.parametrize("error", [KeyboardInterrupt, OSError(28, "No space left on device")])
def test_an_interrupt_leaves_nothing(stems, planned, tmp_path, monkeypatch, error):
    before, calls = digests(stems[0]), []

    def broken(path, *arguments, **options):
        calls.append(path)
        if len(calls) == 3:
            path.write_bytes(b"half")
            raise error
        write(path, *arguments, **options)

    monkeypatch.setattr(export, "write", broken)
    with pytest.raises(KeyboardInterrupt if error is KeyboardInterrupt else GainlibError):
        write_stems(planned, tmp_path / "out")
    assert len(calls) == 3 and list(tmp_path.iterdir()) == []
    assert digests(stems[0]) == before


def test_an_original_that_changes_meanwhile_is_found(stems, tmp_path, monkeypatch):
    folder = tmp_path / "copy"
    shutil.copytree(stems[0], folder)
    result = plan(open_folder(folder))

    def meddling(path, *arguments, **options):
        write(path, *arguments, **options)
        if path.name == "vocal.wav":
            with (folder / "bass.flac").open("ab") as file:
                file.write(b"\0")

    monkeypatch.setattr(export, "write", meddling)
    with pytest.raises(GainlibError, match=r"bass\.flac.* changed"):
        write_stems(result, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"through": "fader"}, "'fader'"),
        ({"subtype": "PCM_U8"}, "'PCM_U8'"),
        ({"through": "bus", "gain_only": True}, "gain"),
    ],
)
def test_wishes_that_make_no_sense(planned, tmp_path, options, said):
    with pytest.raises(GainlibError, match=said):
        write_stems(planned, tmp_path / "out", **options)


# ---- names and sums --------------------------------------------------------------------------------------------------


def test_checksums_are_those_of_the_files(planned, tmp_path):
    result = write_stems(planned, tmp_path / "out")
    lines = (tmp_path / "out" / "SHA256SUMS").read_text(encoding="utf-8").splitlines()
    found = {name: digest for digest, _, name in (line.partition("  ") for line in lines)}
    assert found == {name: digest for name, digest in digests(tmp_path / "out").items() if name.endswith(".wav")}
    assert found == {file.name: file.sha256 for file in result.files}


def test_names_that_no_file_can_have(tmp_path):
    names = ["a:b?", "A_B_", "con", "..", "x" * 300, "鼓 ✓", "SHA256SUMS", "tab\there"]
    strips = [Strip(name, Audio(samples("hat"), RATE)) for name in names]
    result = write_stems(plan(Session(strips)), tmp_path / "out")
    written = [file.name for file in result.files]
    assert len({name.casefold() for name in written}) == len(names)
    assert all((tmp_path / "out" / name).is_file() for name in written)
    assert not any(set(name) & set('<>:"/\\|?*\t') for name in written)
    assert max(len(name.encode()) for name in written) < 140
    assert written[2] == "_con.wav" and written[5] == "鼓 ✓.wav"


def test_file_names_differ_on_systems_that_fold_case():
    taken = set()
    assert [file_name(name, ".wav", taken) for name in ("Kick", "kick", "KICK")] == [
        "Kick.wav", "kick 2.wav", "KICK 3.wav",
    ]  # fmt: skip
