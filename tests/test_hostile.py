"""Ten thousand files that want to do harm, through every verb and a learner's record; by day three of each kind."""

import shutil
import sys

import hostile
import pytest
from daily import rest
from hostile import KINDS, LIMIT_S, LONG_S, attempt, case, cases

import gainlib.meters
from gainlib.exercises.record import FILE_NAME

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has neither these limits nor these signals")
LONG = "twelve hours of silence"
SHARES = 20
ROOM = (2_000, 20_000, 0)
"""How many bytes a file may have where there is no room."""


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """Return what is good, to be spoilt."""
    return hostile.Base(tmp_path_factory.mktemp("base") / "good")


def tried(numbers, base, place):
    """Try cases one after another; return what was broken, each with its number."""
    every, broken = cases(), []
    for number in numbers:
        kind, turn = every[number]
        room = ROOM[turn % len(ROOM)] if kind == "no room on the disk" else None
        folder = place / "cases" / "deep" / "case"
        for words in case(number, kind, turn, base, folder):
            found, _, _ = attempt(words, folder, limit_s=LONG_S if kind == LONG else LIMIT_S, room=room)
            broken += [(number, kind, words[0], found)] if found else []
        shutil.rmtree(place / "cases")
    return broken


def test_what_is_not_spoilt_is_done(base, tmp_path):
    """Else the others would prove little. It stands first, since compiling loops is not the fault of a hostile file."""
    good = tmp_path / "in"
    good.mkdir()
    for name in ("good", "other"):
        (good / f"{name}.wav").write_bytes(base.good)
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / FILE_NAME).write_text(hostile.dumped(base.record), encoding="utf-8")
    for name, text in (("song.json", base.session), ("chains.json", base.chains), (FILE_NAME, base.record)):
        (good / name).write_text(hostile.dumped(text), encoding="utf-8")
    (tmp_path / "probe.wav").write_bytes(base.probe)
    for words in (
        ("plan", good, "--session", good / "song.json"),
        ("plan", good, "--chains", good / "chains.json"),
        ("gradebook", good, "--csv", tmp_path / "g.csv"),
        ("probe", "read", tmp_path / "probe.wav"),
        ("record", tmp_path / "kept"),
    ):
        code, out, err, _, broken = hostile.run([*map(str, words)])
        assert (code, broken) == (0, "") and out, (words, err)


def test_three_of_each_kind(base, tmp_path):
    numbers = [number for number, (kind, turn) in enumerate(cases()) if turn < 3 and kind != LONG]
    assert len(numbers) == 3 * (len(KINDS) - 1)
    assert tried(numbers, base, tmp_path) == []


@pytest.mark.parametrize("share", [rest(share) for share in range(SHARES)])
def test_all_of_them(base, tmp_path, share):
    assert sum(KINDS.values()) == len(cases()) == 10_000
    assert tried(range(share, len(cases()), SHARES), base, tmp_path) == []


@pytest.mark.parametrize(
    ("does", "said"),
    [
        (lambda folder: 1 / 0, "ZeroDivisionError"),
        (lambda folder: (folder / "in" / "good.wav").write_bytes(b"mine"), "altered"),
        (lambda folder: (folder.parent / "climbed").write_bytes(b"out"), "altered, or written"),
        (lambda folder: (folder / "out" / ".m.csv.part").write_bytes(b"half"), "left behind"),
        (lambda folder: [None for _ in iter(int, 1)], "longer than"),
    ],
)
def test_what_breaks_a_rule_is_seen(base, tmp_path, monkeypatch, does, said):
    folder = tmp_path / "cases" / "case"
    ((words, *_), *_) = [case(0, "1e30", 0, base, folder)]
    real = gainlib.meters.measure

    def spoilt(*arguments):
        does(folder)
        return real(*arguments)

    monkeypatch.setattr(gainlib.meters, "measure", spoilt)
    found, _, _ = attempt(words, folder, limit_s=0.5 if said == "longer than" else LIMIT_S)
    assert said in found
