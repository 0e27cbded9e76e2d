"""What a learner did: written whole, read in spite of damage, joined, and counted again."""

import json
import multiprocessing
import os
from pathlib import Path

import numpy as np
import pytest

from gainlib.audio import GainlibError
from gainlib.exercises import exercise, tally
from gainlib.exercises.record import ENVIRONMENT, Record, plain, read_events, records_folder

SUMS = exercise("05-1")
PAN = exercise("10-1")
FADERS = exercise("05-5")


def right(each, learner="anna", attempt=0, class_code=""):
    return each.solve(each.variant(learner, attempt, class_code))


def write_many(folder, learner, count):
    record = Record(folder)
    for index in range(count):
        record.answer(learner, "05-1", index, "−12,5 dB")


def test_every_kind_of_event_is_written_on_a_line_of_its_own(tmp_path):
    record = Record(tmp_path / "new" / "folder")
    record.start("Zoë", "05", class_code="7b")
    record.attempt("Zoë", "05-1", 1, class_code="7b")
    record.hint("Zoë", "05-1", 1, 2, class_code="7b")
    record.answer("Zoë", "05-1", 1, {"kick": {"fader_db": -3}}, given={"N": 4}, class_code="7b")
    record.prediction("Zoë", "05", "who clips", "bass\nand kick", class_code="7b")
    lines = record.path.read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["kind"] for line in lines] == ["start", "attempt", "hint", "answer", "prediction"]
    events = record.events().of(" zoe\u0308", "7B")
    assert len(events.events) == 5 and not events.damaged
    assert events.events[3]["answer"] == {"kick": {"fader_db": -3}} and events.events[3]["given"] == {"N": 4}
    assert events.learners() == (("7b", "zoë"),)
    assert record.events().of("Zoë").events == (), "another class is another learner"
    assert not any("right" in line or "points" in line for line in lines), "answers, not verdicts"


def test_notebooks_write_at_the_same_time(tmp_path):
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=write_many, args=(tmp_path, f"learner {n}", 40)) for n in range(3)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
        assert worker.exitcode == 0
    events = Record(tmp_path).events()
    assert len(events.events) == 120 and not events.damaged


@pytest.mark.parametrize("cut", [1, 2, 30, 100])
def test_a_write_that_a_crash_cut_short_is_named_and_the_rest_counts(tmp_path, cut):
    record = Record(tmp_path)
    for index in range(3):
        record.answer("anna", "05-1", index, -12.5)
    whole = record.path.read_bytes()
    record.path.write_bytes(whole[:-cut])
    record.answer("anna", "05-1", 3, -13)
    events = record.events()
    kept = [0, 1, 2, 3] if cut == 1 else [0, 1, 3]
    assert [event["attempt"] for event in events.events] == kept
    assert [damage.line for damage in events.damaged] == ([] if cut == 1 else [3])
    if cut > 1:
        assert str(events.damaged[0]) == f"{record.path}, line 3: not a whole line of JSON; the line is skipped"


DAMAGE = {
    b"{": "not a whole line of JSON",
    b"[1, 2]": "an event is expected, this is a list of 2",
    b"\xff\xfe": "not UTF-8 text",
    b'{"kind": "answer"}': "“id” is missing or is no str",
    b"[" * 100_000: "not a whole line of JSON",
    rb'{"kind": "start", "learner": "\ud800"}': "holds half a letter",
}


@pytest.mark.parametrize("line", DAMAGE, ids=[reason[:24] for reason in DAMAGE.values()])
def test_damaged_lines_are_named(tmp_path, line):
    record = Record(tmp_path)
    record.start("anna", "05")
    with record.path.open("ab") as file:
        file.write(line + b"\n\n")
    record.start("anna", "05")
    events = read_events(tmp_path)
    assert len(events.events) == 2
    assert [(damage.line, damage.reason) for damage in events.damaged] == [(2, DAMAGE[line])]


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"kind": "guess"}, "there is no kind of event “guess”"),
        ({"kind": ["answer"]}, "“kind” is missing or is no str"),
        ({"attempt": True}, "“attempt” is missing or is no int"),
        ({"attempt": "0"}, "“attempt” is missing or is no int"),
        ({"learner": 7}, "“learner” is missing or is no str"),
        ({"exercise": None}, "“exercise” is missing or is no str"),
    ],
)
def test_events_with_wrong_fields_are_named(tmp_path, change, reason):
    record = Record(tmp_path)
    event = record.answer("anna", "05-1", 0, -3)
    record.path.write_text(json.dumps({**event, **change}))
    events = record.events()
    assert events.events == () and events.damaged[0].reason == reason


def test_joining_files_is_merging(tmp_path):
    one, two = Record(tmp_path / "one"), Record(tmp_path / "two")
    one.answer("anna", "05-1", 0, -3)
    two.answer("ben", "05-1", 0, -4)
    one.answer("anna", "05-1", 1, -5)
    joined = tmp_path / "joined.jsonl"
    joined.write_bytes(two.path.read_bytes() + one.path.read_bytes() + two.path.read_bytes())
    events = read_events(joined).events
    assert [event["answer"] for event in events] == [-3, -4, -5], "each once, in the order of their time"
    assert read_events(tmp_path).events == events == read_events(one.path, two.path).events
    assert one.merge(two.path.read_text()) == 1 and one.merge(two.path.read_bytes() * 2) == 0
    assert len(one.events().events) == 3
    assert Record(tmp_path / "empty").merge(joined.read_bytes()) == 3


def test_a_learner_can_be_erased(tmp_path):
    record = Record(tmp_path)
    record.answer("anna", "05-1", 0, -3)
    record.answer("ben", "05-1", 0, -4)
    record.hint(" ANNA ", "05-1", 0, 1)
    with record.path.open("ab") as file:
        file.write(b"damaged\n")
    assert record.erase("Anna") == 2
    events = record.events()
    assert [event["learner"] for event in events.events] == ["ben"] and len(events.damaged) == 1
    assert record.erase("anna") == 0 and Record(tmp_path / "none").erase("anna") == 0


def test_a_record_never_holds_arrays(tmp_path):
    record = Record(tmp_path)
    for junk in (np.zeros(48_000), [0.0] * 48_000, {"a": [[0.0] * 900] * 900}, object(), float("nan"), "x" * 10**6):
        record.answer("anna", "05-1", 0, junk)
    assert record.path.stat().st_size < 30_000
    assert len(record.events().events) == 6
    assert plain([np.float64(0.5), np.int64(3), -np.inf, None, True, (1, 2), 2**60]) == [
        *(0.5, 3, "-inf", None, True, [1, 2]),
        str(2**60),
    ]
    nested = current = []
    for _ in range(5000):
        current.append([])
        current = current[0]
    assert json.dumps(plain(nested))


def test_where_records_are_kept(tmp_path, monkeypatch):
    monkeypatch.delenv(ENVIRONMENT, raising=False)
    (tmp_path / "labs" / "deep").mkdir(parents=True)
    for place in ("", "labs", "labs/deep"):
        monkeypatch.chdir(tmp_path / place)
        assert records_folder() == tmp_path / "records"
    monkeypatch.setenv(ENVIRONMENT, str(tmp_path / "elsewhere"))
    assert records_folder() == tmp_path / "elsewhere"
    assert records_folder(tmp_path / "given") == tmp_path / "given"
    monkeypatch.delenv(ENVIRONMENT)
    monkeypatch.chdir("/")
    assert records_folder().name == "records" and records_folder().parent != tmp_path


def test_records_beside_the_labs_of_somebody_else(tmp_path, monkeypatch):
    """A course folder is shared, whether it can be written or not; each learner's record is at home."""
    monkeypatch.delenv(ENVIRONMENT, raising=False)
    (tmp_path / "labs").mkdir()
    monkeypatch.chdir(tmp_path / "labs")
    monkeypatch.setattr(os, "geteuid", lambda: os.getuid() + 1)
    tmp_path.chmod(0o777)
    home = records_folder()
    assert home.is_relative_to(Path.home()) and not home.exists()
    (tmp_path / "records").mkdir()
    assert records_folder() == tmp_path / "records", "whoever owns the folder has put it there for all"
    os.chown(tmp_path / "records", os.getuid() + 2, -1) if os.getuid() == 0 else (tmp_path / "records").rmdir()
    assert records_folder() == home, "another learner was first"
    monkeypatch.setattr(os, "geteuid", os.getuid)
    monkeypatch.setattr(os, "access", lambda *_: False)
    assert records_folder() == home


def test_what_cannot_be_written_or_found_is_said(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(GainlibError, match=f"cannot be written.*set {ENVIRONMENT}"):
        Record(tmp_path / "file").start("anna", "05")
    with pytest.raises(GainlibError, match="there is no record at"):
        read_events(tmp_path / "nowhere")
    assert Record(tmp_path / "nowhere").events().events == ()


def test_a_lock_held_too_long_is_said(tmp_path, monkeypatch):
    import filelock

    monkeypatch.setattr("gainlib.exercises.record._LOCK_SECONDS", 0.1)
    record = Record(tmp_path)
    with (
        filelock.FileLock(f"{record.path}.lock"),
        pytest.raises(GainlibError, match=r"held by another program for 0.1 s"),
    ):
        record.start("anna", "05")


# ---------------------------------------------------------------------------------------------------------- the points


def score_of(record, id, learner="anna", **fields):
    return tally(record.events(), learner, **fields).scores[id]


def test_points_are_counted_from_answers(tmp_path):
    record = Record(tmp_path)
    record.answer("Anna", "05-1", 0, str(right(SUMS)).replace(".", ","))
    record.answer("Anna", "10-1", 0, [right(PAN)[0], None, None])
    mine = tally(record.events(), "anna")
    assert mine.scores["05-1"].points == 2 and mine.scores["05-1"].state == "right"
    assert mine.scores["10-1"].points == 1 and mine.scores["10-1"].state == "partly"
    assert mine.scores["05-5"].state == "unattempted" and mine.scores["05-5"].max_points == 4
    assert mine.points == 3 and mine.max_points == sum(each.max_points for each in mine.scores.values())
    assert set(tally(record.events(), "anna", lab="99").scores) == set()
    assert tally(record.events(), "ben").points == 0, "another learner has other numbers, and has answered nothing"


def test_hints_opened_before_an_answer_cost_and_later_ones_do_not(tmp_path):
    record = Record(tmp_path)
    record.hint("anna", "05-1", 0, 1)
    record.hint("anna", "05-1", 0, 1)
    record.hint("anna", "05-3", 0, 2)
    record.answer("anna", "05-1", 0, right(SUMS))
    record.hint("anna", "05-1", 0, 2)
    assert score_of(record, "05-1").points == pytest.approx(2 * 0.85)
    assert score_of(record, "05-1").hints == 2
    record.answer("anna", "05-1", 1, right(SUMS, attempt=1))
    assert score_of(record, "05-1").points == 2, "hints of one set do not follow to the next"
    assert score_of(record, "05-1", most=1).points == pytest.approx(2 * 0.85), "a graded run counts the first sets"


def test_an_answer_after_the_solution_earns_nothing_and_new_numbers_do(tmp_path):
    record = Record(tmp_path)
    record.answer("anna", "05-1", 0, "nonsense")
    record.answer("anna", "05-1", 0, 99)
    record.answer("anna", "05-1", 0, 98)
    record.solution("anna", "05-1", 0)
    record.answer("anna", "05-1", 0, right(SUMS))
    found = score_of(record, "05-1")
    assert (found.points, found.state, found.tries, found.shown) == (0, "wrong", 3, 1)
    record.answer("anna", "05-1", 1, right(SUMS, attempt=1))
    found = score_of(record, "05-1")
    assert (found.points, found.attempt, found.answers, found.attempts) == (2, 1, 5, 2)


def test_a_state_can_be_tried_again(tmp_path):
    """Its feedback tells what was measured, and no position of a fader."""
    record = Record(tmp_path)
    record.answer("anna", "05-5", 0, {"01 kick": {"fader_db": -30}})
    record.answer("anna", "05-5", 0, right(FADERS))
    assert score_of(record, "05-5").points == 4


def test_altered_records_are_noticed(tmp_path):
    record = Record(tmp_path)
    given = SUMS.variant("anna")
    record.answer("anna", "05-1", 0, right(SUMS), given=given)
    assert score_of(record, "05-1").altered == 0
    record.answer("anna", "05-1", 0, right(SUMS), given={**given, "N": given["N"] + 1})
    record.answer("anna", "05-1", 0, right(SUMS, "ben"), given=SUMS.variant("ben"))
    found = score_of(record, "05-1")
    assert found.altered == 2 and found.points == 2
    record.answer("cara", "05-1", 0, right(SUMS, "ben"))
    assert score_of(record, "05-1", "cara").points == 0, "a copied answer belongs to other numbers"


def test_exercises_nobody_knows_and_absurd_attempts_do_not_stop_the_count(tmp_path):
    record = Record(tmp_path)
    record.answer("anna", "77-7", 0, 1)
    record.answer("anna", "05-1", -1, right(SUMS))
    record.answer("anna", "05-1", 10**30, 1)
    record.answer("anna", "05-1", 0, right(SUMS))
    mine = tally(record.events(), "anna")
    assert mine.unknown == ("77-7",) and mine.scores["05-1"].points == 2


def test_no_lock_file_is_read_as_a_record(tmp_path):
    record = Record(tmp_path)
    record.start("anna", "05")
    assert os.listdir(tmp_path)
    assert len(read_events(tmp_path).events) == 1
