"""How records came about: links that hold through all that is honest, and what is noted where they do not."""

import json
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from daily import daily, rest
from school import Writer, run

from gainlib.exercises import Record, gradebook
from gainlib.exercises.classfile import new_secret
from gainlib.exercises.gradebook.circumstances import FASTEST_S, FEWEST, circumstances
from gainlib.exercises.gradebook.submissions import HandedIn, Line, collect
from gainlib.exercises.record import link
from gainlib.notebook.records import ProgressSheet

WHO = ("7b", "anna")


def told(folder, **more):
    return [sentence for _, sentence in circumstances(collect(folder), [], **more)]


def worked(folder, learner="anna", steps=4):
    record = Record(folder)
    record.start(learner, "05", "7b")
    for number in range(steps):
        record.hint(learner, "05-1", number, 1, "7b")
        record.answer(learner, "05-1", number, -12.5, class_code="7b")
    return record


def test_a_line_removed_changed_or_added_is_noted_once(tmp_path):
    path = worked(tmp_path).path
    lines = path.read_text().splitlines(keepends=True)
    assert told(tmp_path) == [] and len({json.loads(line)["after"] for line in lines}) == len(lines)
    bare = {**json.loads(lines[4]), "id": "x", "time": "2999-12-31T00:00:00+00:00"}
    del bare["after"]
    missing = "lines are missing or were changed in"
    for changed, sentence in (
        ([*lines[:1], *lines[2:]], f"{missing} 1 place, the first right before [{tmp_path.name}/record.jsonl, line 2]"),
        ([lines[0], *(line for line in lines[1:] if '"hint"' not in line)], f"{missing} 4 places"),
        ([*lines[:2], lines[2].replace("-12.5", "-9.96"), *lines[3:]], f"{missing} 1 place,"),
        ([line for k, line in enumerate(lines) if k not in (3, 4, 7)], f"{missing} 2 places"),
        ([*lines[:5], json.dumps(bare) + "\n", *lines[5:]], "1 line without a link later than others that have one"),
    ):  # fmt: skip
        path.write_text("".join(changed))
        [said] = told(tmp_path, now=1e11)
        assert said.startswith(sentence), said
        assert said.partition("[")[2].startswith(f"{tmp_path.name}/record.jsonl, line "), "where to look"


def test_links_hold_through_all_that_a_learner_may_do(tmp_path):
    """Two machines joined in either order, a copy worked on twice, a crash, others erased, the record taken along."""
    one, two = worked(tmp_path / "one"), worked(tmp_path / "two")
    worked(tmp_path / "one", "ben"), worked(tmp_path / "one")
    one.merge(two.path.read_bytes())
    worked(tmp_path / "one")
    two.merge(one.path.read_bytes())
    worked(tmp_path / "two")
    one.path.write_bytes(one.path.read_bytes() + two.path.read_bytes()[:-30])
    worked(tmp_path / "one")
    one.erase("ben", "7b")
    worked(tmp_path / "one", "cleo")
    sheet = ProgressSheet(tmp_path / "one")
    sheet.become("anna", "7b")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "taken.jsonl").write_bytes(sheet.take_along())
    (tmp_path / "out" / "list.json").write_text(json.dumps([dict(sorted(each.items())) for each in sheet.events]))
    assert all(told(folder) == [] for folder in (tmp_path / "one", tmp_path / "two", tmp_path / "out", tmp_path))


def test_lines_of_an_earlier_version_are_read_without_a_word(tmp_path):
    old = Writer("anna").do("05-1", "hint").do("05-2", "right")
    old.save(tmp_path, "record")
    assert told(tmp_path) == []
    worked(tmp_path)
    assert told(tmp_path) == [], "and are linked to by the first new line"
    path = tmp_path / "record.jsonl"
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join(lines[:1] + lines[2:]))
    assert told(tmp_path) == [], "nothing can tell"
    path.write_text("".join(lines[: len(old.lines) - 1] + lines[len(old.lines) :]))
    assert len(told(tmp_path)) == 1


def test_the_last_line_is_found_far_above_that_of_others(tmp_path, monkeypatch):
    monkeypatch.setattr("gainlib.exercises.record._TAIL", 900)
    record = worked(tmp_path)
    first = record.path.read_bytes().splitlines()[-1]
    worked(tmp_path, "ben", 8)
    assert record.start(" ANNA", "05", "7B")["after"] == link(json.loads(first)) and told(tmp_path) == []


def test_clocks(tmp_path, monkeypatch):
    record = worked(tmp_path, steps=1)
    lines = [json.loads(line) for line in record.path.read_text().splitlines()]

    def dated(*hours):
        """Write the lines anew, linked, so many hours after the first."""
        last = ""
        for line, hour in zip(lines, hours, strict=True):
            line |= {"time": (datetime(2026, 5, 4, tzinfo=UTC) + timedelta(hours=hour)).isoformat(), "after": last}
            last = link(line)
        record.path.write_text("".join(json.dumps(line) + "\n" for line in lines))
        return told(tmp_path, now=datetime(2026, 5, 5, tzinfo=UTC).timestamp())

    assert dated(0, 1, 2) == dated(2, 0, 1) == dated(0, 46, 47) == []
    assert dated(0, 8, 3) == [
        "the time goes back 5.0 h, as where a clock is set or two computers differ "
        f"[{tmp_path.name}/record.jsonl, line 3]"
    ]
    assert dated(0, 49, 640_000) == [
        f"2 lines dated after the marking, the last 2099-05-07 16:00:00 UTC [{tmp_path.name}/record.jsonl, line 3]"
    ]
    assert dated(0, 1, 26) == []
    dated(0, 1, tomorrow := (datetime.now(UTC) - datetime(2026, 5, 4, tzinfo=UTC)) // timedelta(hours=1) + 26)
    assert told(tmp_path, now=1e11) == [], "a download has any time"
    monkeypatch.setattr("gainlib.exercises.classfile.is_letter_box", lambda folder: folder == tmp_path)
    [said] = told(tmp_path, now=1e11)
    last = datetime(2026, 5, 4, tzinfo=UTC) + timedelta(hours=tomorrow)
    assert said.startswith(f"1 line dated after the hand-in, the last {last:%Y-%m-%d %H:%M:%S} UTC [")


def test_forty_two_right_answers_in_forty_one_seconds(tmp_path, capsys):
    """Numbers of one exercise, one after the other; the same at the pace of a quick hand is no word worth."""
    (tmp_path / "r").mkdir()
    for pace_s, said in ((1.0, "42 right answers in 41 s, from 2026-05-04 03:00:00 UTC"), (1.6, "")):
        anna = Writer("anna")
        for number in range(42):
            event = anna.answer("05-1", anna.right("05-1", number), number)
            event["time"] = (datetime(2026, 5, 4, 3, tzinfo=UTC) + timedelta(seconds=pace_s * number)).isoformat()
            anna.lines.append({**event, "id": f"again {number}"})
        anna.save(tmp_path / "r")
        assert run("gradebook", tmp_path / "r", "--csv", tmp_path / "m.csv", "--html", tmp_path / "m.html", "-q") == 0
        shown = capsys.readouterr().out
        assert (f"anna (7b): {said}" in shown) == ("How records came about" in shown) == bool(said)
        assert (f"anna (7b): {said}" in (tmp_path / "m.html").read_text(encoding="utf-8")) == bool(said)


def test_numbers_of_another_class_code_are_noted_where_the_class_has_a_secret(tmp_path):
    (tmp_path / "class.toml").write_text('code = "AUTUMN-7"\nhand_in = "in"\n')
    course = gradebook.read_class(tmp_path / "class.toml")
    assert course.typed == "AUTUMN-7"
    new_secret(tmp_path)
    assert course.typed.startswith("AUTUMN-7+") and course.is_for(course.typed.lower())
    for name, code in (("anna", course.typed), ("ben", "AUTUMN-7"), ("cleo", "8a")):
        Writer(name, code).do("05-1", "right").save(tmp_path / "in")
    book = gradebook.gradebook(tmp_path / "in", course=course)
    assert book.circumstances == (
        f"ben (AUTUMN-7): 1 answer to the numbers of class code “AUTUMN-7”; that of the class is {course.typed}",
    )
    assert sum(row.points for row in book.rows) == 6, "a reason to ask, and no point less"


def test_two_learners_of_one_name_are_noted(tmp_path):
    one, _ = worked(tmp_path / "one"), worked(tmp_path / "two", steps=3)
    assert told(tmp_path) == [
        "3 sets of numbers answered anew in another record, as on two computers, or by two learners of one name"
    ]
    one.merge((tmp_path / "two" / "record.jsonl").read_bytes())
    assert told(tmp_path) == [], "who joins them is one learner"


# ---- honest classes --------------------------------------------------------------------------------------------------


def _sitting(rng, now, lines, last, clock_s):
    """Add the lines of one sitting at one computer; return when it ended and the link of the last line."""
    for kind in rng.choice(["answer", "answer", "answer", "hint", "attempt"], int(rng.integers(5, 40))):
        # Whoever fills in a page and then presses each button: reach, scroll, press; a second at the very best.
        now += float(rng.lognormal(1.2, 0.35) if rng.random() < 0.4 else rng.lognormal(4.0, 1.0))
        own = {"exercise": f"0{rng.integers(10)}-{rng.integers(10)}", "attempt": int(rng.integers(3))}
        moment = datetime.fromtimestamp(now + clock_s, UTC).isoformat(timespec="microseconds")
        event = {"id": f"{len(lines)}", "time": moment, "kind": str(kind), "learner": "anna", "class_code": "7b", **own}
        lines.append({**event, "after": last})
        last = link(lines[-1])
    return now, last


def _honest(rng):
    """Return the lines of a term: one to three computers whose clocks differ, sometimes joined, sometimes copied."""
    clocks_s = [rng.normal(0, 120) + 3600 * (rng.random() < 0.02) * rng.integers(-2, 3) for _ in range(3)]
    computers, now, lines = int(rng.integers(1, 4)), 1.77e9, []
    lasts = [""] * computers
    for _ in range(int(rng.integers(3, 9))):
        at = int(rng.integers(computers))
        now += float(rng.exponential(2 * 86400))
        if rng.random() < 0.3:
            lasts[at] = lasts[int(rng.integers(computers))]
        now, lasts[at] = _sitting(rng, now, lines, lasts[at], clocks_s[at])
    if rng.random() < 0.2:
        for line in lines[: int(rng.integers(len(lines)))]:  # before the workbook was renewed
            line.pop("after")
        last = ""
        for line in lines:
            if "after" in line:
                line["after"] = last
            last = link(line)
    return lines


@pytest.mark.parametrize("seed", list(daily(range(200), 5)))
def test_nothing_is_noted_of_an_honest_class(seed):
    rng = np.random.default_rng(seed)
    quick = 0
    for _ in range(40):
        lines = [Line(event, Path("r/anna.jsonl"), at) for at, event in enumerate(_honest(rng), start=1)]
        lines.sort(key=lambda line: line.event["time"])
        right = SimpleNamespace(state="right")
        answers = [
            SimpleNamespace(who=WHO, line=each, verdict=right) for each in lines if each.event["kind"] == "answer"
        ]
        assert circumstances(HandedIn(tuple(lines)), answers, now=1.9e9) == []
        times = [datetime.fromisoformat(each.line.event["time"]).timestamp() for each in answers]
        quick += sum(np.diff(times) < 2 * FASTEST_S)
    assert quick > 20 * FEWEST, "there was something to mistake"


# ---- killed ----------------------------------------------------------------------------------------------------------

STEPS = """
import sys
from gainlib.exercises.record import Record
record, k = Record(sys.argv[1]), 0
while True:
    record.start(sys.argv[2], "x" * 3000, class_code="7b")
    k += 1
    if k == 1:
        print("begun", flush=True)
"""


@pytest.mark.parametrize("rounds", [1, rest(29)])
def test_several_tabs_killed_at_any_moment_leave_links_whole(tmp_path, rounds):
    rng = np.random.default_rng(rounds)
    for number in range(rounds):
        folder = tmp_path / f"{number}"
        tabs = [
            subprocess.Popen([sys.executable, "-c", STEPS, folder, name], stdout=subprocess.PIPE)
            for name in ("anna", "anna", "ben")
        ]
        for tab in tabs:
            assert tab.stdout.readline() == b"begun\n"
        for tab in tabs:
            time.sleep(rng.uniform(0.0, 0.3))
            tab.send_signal(signal.SIGKILL)
            tab.communicate()
        Record(folder).start("anna", "05", "7b")
        found = collect(folder)
        assert len(found.lines) > 3 and len(found.damaged) <= len(tabs) and told(folder) == []
