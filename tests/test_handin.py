"""Handing in to a letter box: forty at once and none lost, nobody touches another's, a receipt that is found again."""

import multiprocessing
import os
import pathlib
import re
import signal
import stat
import zipfile
from contextlib import suppress

import pytest
from labhand import LABS
from school import Writer, run

from gainlib.audio import GainlibError
from gainlib.exercises.classfile import check_value, hand_in
from gainlib.exercises.gradebook import collect, gradebook
from gainlib.exercises.gradebook.export import page
from gainlib.exercises.record import Record, to_lines
from gainlib.notebook import Index

resource = pytest.importorskip("resource", reason="letter boxes are made on Linux")
SUPERUSER = hasattr(os, "geteuid") and os.geteuid() == 0
FIRST_ACCOUNT = 61_000
PUPILS = 40


@pytest.fixture
def box(entered_folder, monkeypatch):
    """Return a letter box as ``binder/hub/start.sh`` makes it, named as on a hub."""
    folder = entered_folder / "handed-in"
    folder.mkdir()
    folder.chmod(0o3773)
    monkeypatch.setenv("GAINLIB_HAND_IN", str(folder))
    return folder


def as_account(number):
    """Become another account, where that is allowed."""
    if SUPERUSER:
        os.setgroups([])
        os.setgid(FIRST_ACCOUNT + number)
        os.setuid(FIRST_ACCOUNT + number)


def pupil(number, box, together):
    as_account(number)
    together.wait()
    hand_in(box, "record-7b-anna-2026-11-29.jsonl", content_of(number))


def content_of(number):
    writer = Writer(f"pupil {number}")
    return to_lines([writer.event("start", lab="05"), *(writer.event("start", lab="06") for _ in range(30))])


def forked(target, *arguments):
    process = multiprocessing.get_context("fork").Process(target=target, args=arguments)
    process.start()
    return process


def test_forty_hand_in_at_the_same_moment_under_one_name_and_none_is_lost(box):
    together = multiprocessing.get_context("fork").Barrier(PUPILS)
    for process in [forked(pupil, number, box, together) for number in range(PUPILS)]:
        process.join(30)
        assert process.exitcode == 0
    found = collect(box)
    assert found.files == PUPILS and not found.damaged and not found.unused
    checks = {who: check for (_, who), (*_, check, _) in found.holders.items()}
    assert len(checks) == len(found.holders), "a file each"
    assert {*checks.values()} == {check_value(content_of(number).splitlines()) for number in range(PUPILS)}
    assert {stat.S_IMODE(file.stat().st_mode) for file in box.iterdir()} == {0o640}
    assert all(by for *_, by in found.holders.values())


def hostile(box, name, told):
    """Try all that could be done to a file of another's whose name is known, which it never is."""
    as_account(PUPILS)
    victim = box / name
    tries = {
        "list": lambda: os.listdir(box),
        "read": victim.read_bytes,
        "write": lambda: victim.write_bytes(b""),
        "cut": lambda: os.truncate(victim, 0),
        "delete": victim.unlink,
        "move away": lambda: victim.rename(box / "mine.jsonl"),
        "open to all": lambda: victim.chmod(0o666),
        "link": lambda: os.link(victim, box / "mine.jsonl") or (box / "mine.jsonl").read_bytes(),
    }
    own = hand_in(box, "record-7b-ben.jsonl", b"mine\n")
    tries["replace"] = lambda: own.rename(victim)
    for what, attack in tries.items():
        try:
            attack()
            told.put(what)
        except OSError:
            pass
    told.put("done")


def test_a_hostile_learner_cannot_read_replace_or_delete_what_another_handed_in(box):
    content = content_of(1)
    victim = hand_in(box, "record-7b-anna.jsonl", content)
    if SUPERUSER:
        os.chown(victim, FIRST_ACCOUNT, -1)
        told = multiprocessing.get_context("fork").Queue()
        process = forked(hostile, box, victim.name, told)
        assert told.get(timeout=30) == "done"
        process.join()
    assert stat.S_IMODE(box.stat().st_mode) == 0o3773 and stat.S_IMODE(victim.stat().st_mode) == 0o640
    assert victim.read_bytes() == content and victim.stat().st_gid == box.stat().st_gid


def full_disk(box, told):
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))
    try:
        hand_in(box, "record-7b-anna.jsonl", content_of(1))
    except GainlibError as problem:
        told.put(str(problem))


def test_a_full_disk_is_told_in_a_sentence_and_leaves_nothing_half(box):
    told = multiprocessing.get_context("fork").Queue()
    process = forked(full_disk, box, told)
    assert "could not be written whole (File too large); make room" in told.get(timeout=30)
    process.join()
    assert list(box.iterdir()) == []


def test_a_receipt_is_shown_kept_and_found_again_in_the_gradebook(box, tmp_path, capsys):
    index = Index(folder=tmp_path / "records", labs=LABS)
    index.shelf.become("anna", "7b")
    panel = index.record()
    panel.hand_in.click()
    assert "There is no line under the name anna" in panel.said.text and not any(box.iterdir())
    answer(tmp_path / "records", "05-1")
    panel.hand_in.click()
    first = check_of(panel.said.text)
    assert re.search(r"Receipt: Handed in 20\d\d-[-\d]+ [:\d]+ \S+, 1 answer, 2 of \d+ points, check", panel.said.text)
    answer(tmp_path / "records", "05-2")
    panel.hand_in.click()
    again = check_of(panel.said.text)
    assert len(list(box.iterdir())) == 2 and first != again
    assert again == check_of(Index(folder=tmp_path / "records", labs=LABS).record().said.text), "it is kept"
    index.shelf.become("ben")
    index.update()
    assert panel.said.text == "", "it is nobody else's"
    book = gradebook(box)
    assert book.checks == {("7b", "anna"): (again, first)} and f"{again}, {first}" in page(book)
    assert sum(row.points for row in book.rows) == 4
    assert run("gradebook", box, "--csv", tmp_path / "marks.csv") == 0 and again in capsys.readouterr().out


def test_a_box_that_takes_nothing_is_said_and_a_file_may_be_sent_instead(box, tmp_path):
    answer(tmp_path / "records", "05-1")
    panel = Index(folder=tmp_path / "records", labs=LABS)
    panel.shelf.become("anna", "7b")
    panel = panel.record()
    box.rmdir()
    panel.hand_in.click()
    assert "Not handed in" in panel.said.text and "download your record and send it" in panel.said.text


def test_who_hands_in_under_another_name_is_told_however_it_is_wrapped(box, tmp_path):
    def put(owner, name, make):
        make(box / name, to_lines([Writer(learner, day=owner).event("start", lab="05")]))
        with suppress(PermissionError):  # only the superuser can give a file away
            os.chown(box / name, FIRST_ACCOUNT + owner, -1)

    def packed(path, content):
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("record.jsonl", content)

    def in_folder(path, content):
        path.mkdir()
        (path / "record.jsonl").write_bytes(content)

    for owner, learner, make in ((1, "anna", pathlib.Path.write_bytes), (2, "anna", packed), (2, "ben", in_folder)):
        put(owner, f"{owner}-{learner}", make)
    (tmp_path / "private.jsonl").write_bytes(to_lines([Writer("cleo").event("start", lab="05")]))
    (box / "link.jsonl").symlink_to(tmp_path / "private.jsonl")
    book = gradebook(box)
    wanted = ("anna (7b): from the accounts no. 61001, no. 61002", "the account no. 61002: for anna (7b), ben (7b)")
    assert (book.accounts == wanted) if SUPERUSER else len(book.accounts) == 1
    assert ("7b", "cleo") not in book.names and "is a link; what is handed in is a file" in book.unused[0]


def answer(folder, id):
    from gainlib.exercises import exercise

    given = exercise(id).variant("anna", 0, "7b")
    Record(folder).answer("anna", id, 0, exercise(id).solve(given), given, "7b")


def check_of(text):
    return re.search(r"check value (\w{4}-\w{4}-\w{4})", text)[1]
