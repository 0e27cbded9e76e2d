"""The class file: what a teacher may write, what is said of the rest, and what weights, deadlines and exam come to."""

import pickle
from datetime import datetime, timedelta

import pytest
from school import CLASS, Writer, id_of, rows_of, run

from gainlib.audio import GainlibError
from gainlib.exercises.classfile import new_secret
from gainlib.exercises.gradebook import course_of, gradebook, read_class
from gainlib.exercises.sets import EXAM

HEAD = f'code = "{CLASS}"\nlabs = ["05", "06"]\nhand_in = "in"\n'
EXAM_TEXT = '[exam]\nlab = "05"\nopens = 2026-05-05T08:00:00Z\nminutes = 30\n'


def write(folder, text):
    folder.mkdir(exist_ok=True)
    path = folder / "class.toml"
    path.write_text(text, encoding="utf-8-sig")
    return path


def test_what_a_class_file_says(tmp_path):
    text = HEAD + 'zone = "Etc/GMT-2"\n[deadlines]\n05 = 2026-12-10\n06 = 2026-12-10T18:00:00Z\n[weights]\n06 = 2\n'
    course = read_class(write(tmp_path, text))
    assert (course.labs, course.late, course.hand_in) == (("05", "06"), "note", tmp_path / "in")
    assert course.deadlines["05"] == datetime.fromisoformat("2026-12-11T00:00:00+02:00"), "the end of that day"
    assert course.deadlines["06"] == datetime.fromisoformat("2026-12-10T20:00:00+02:00")
    assert (course.weight("05"), course.weight("06")) == (1, 2) and course.is_for(" 7B ") and not course.is_for("")
    assert pickle.loads(pickle.dumps(course)) == course, "it goes to processes that mark"
    assert read_class(write(tmp_path, 'code = "x"')).labs[:2] == ("00", "01")
    sat = read_class(write(tmp_path, HEAD + EXAM_TEXT))
    assert sat.exam.ends - sat.exam.opens == timedelta(minutes=30) and sat.deadlines == {"05": sat.exam.ends}
    next_day = read_class(write(tmp_path, HEAD + EXAM_TEXT.replace("05-05", "05-06")))
    assert next_day.exam.numbers == sat.exam.numbers + 1 > EXAM, "another day has other numbers"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "there is no code"),
        ("code = 7", "code is '7'; write a short text in quotation marks"),
        ('code = "AUTUMN-7+K3FQ9AU0"', r"code is 'AUTUMN-7.K3FQ9AU0', which has a wrong character"),
        ("code = AUTUMN", "is no class file: .*line 1.*; write texts and labs in straight quotation marks"),
        (HEAD + '[deadlines]\nlate = "drop"', "no lab 'late' in this class; write late above the first line in square"),
        (HEAD + "deadline = 3", "no 'deadline'; did you mean 'deadlines'?"),
        (HEAD + "deadlines = 3", r"write it as a section that begins with \[deadlines\]"),
        (HEAD + "[deadlines]\n5 = 2026-12-10", "deadlines: there is no lab '5' in this class; did you mean \"05\""),
        (HEAD + "[deadlines]\n07 = 2026-12-10", "no lab '07' in this class; there is '05', '06'"),
        (HEAD + "[deadlines]\n05 = 2026-02-30", "is no class file: invalid date"),
        (HEAD + '[deadlines]\n05 = "10.12."', "deadline of lab 05 is '10.12.'; write a date, 2026-12-10"),
        (HEAD + "[deadlines]\n05 = 0202-12-10", "is '0202-12-10'; write a year from 2000 to 2199"),
        (HEAD + "[weights]\n05 = -1", "weight of lab 05 is '-1'; write a number from 0 to 1000"),
        (HEAD + "[weights]\n05 = nan", "weight of lab 05 is 'nan'"),
        (HEAD + "[weights]\n05 = 0\n06 = 0", "every lab has weight 0"),
        (HEAD + 'late = "dropp"', "late is 'dropp'; did you mean 'drop'?"),
        (HEAD + 'zone = "Mars"', "zone is 'Mars', which is not known here"),
        ('code = "x"\nlabs = "05"', r"write a list, such as labs = "),
        ('code = "x"\nlabs = [5]', "no lab '5' in this class; did you mean \"05\""),
        (HEAD + '[exam]\nlab = "05"', "the exam lacks opens and minutes"),
        (HEAD + EXAM_TEXT + "hours = 2", "in the exam there is no 'hours'"),
        (HEAD + EXAM_TEXT.replace("30", "0"), "minutes is '0'; write a number from 1 to 1440"),
        (HEAD + EXAM_TEXT.replace("T08:00:00Z", ""), "opens is '2026-05-05'; write a time"),
        (HEAD.replace("05", "12") + EXAM_TEXT.replace("05\"", "12\""), "lab 12 cannot be an exam"),
        (HEAD + "[deadlines]\n05 = 2026-12-10\n" + EXAM_TEXT, "lab 05 is the exam and has a deadline besides"),
    ],
)  # fmt: skip
def test_a_wrong_value_is_named_with_what_would_do(tmp_path, text, said):
    with pytest.raises(GainlibError, match=f"class.toml: .*{said}"):
        read_class(write(tmp_path, text))
    assert run("gradebook", tmp_path, "--csv", tmp_path / "m.csv") == 2 and not (tmp_path / "m.csv").exists()


def test_the_class_file_is_found(tmp_path, capsys):
    path, elsewhere = write(tmp_path, HEAD), tmp_path / "other"
    assert run("gradebook", path, "--csv", tmp_path / "m.csv") == 2 and "its hand_in" in capsys.readouterr().err
    (tmp_path / "in").mkdir()
    for own in (path, new_secret(tmp_path)):
        assert run("gradebook", tmp_path, "--csv", own) == 2 and "class's own file" in capsys.readouterr().err
    assert [course_of(each)[1] for each in (path, tmp_path, tmp_path / "in")] == [tmp_path / "in"] * 3
    assert course_of(tmp_path / "in")[0].path == path and course_of(elsewhere) == (None, elsewhere)


@pytest.mark.parametrize(
    ("late", "points", "notes"),
    [
        ("note", "2", "late by 25 h; 0 of 2 by then"),
        ("count", "2", ""),
        ("drop", "0", "late by 25 h, not counted"),
    ],
)
def test_late_answers(tmp_path, late, points, notes):
    """Wrong before the deadline, 2026-05-03 07:30 UTC, and right on the next day at 08:02 UTC."""
    course = write(tmp_path, HEAD + f'late = "{late}"\n[deadlines]\n05 = 2026-05-03T07:30:00Z\n[weights]\n05 = 3\n')
    anna = Writer("anna")
    anna.answer("05-1", anna.wrong("05-1"), time="2026-05-02T08:00:00+00:00")
    anna.do("05-1", "right").save(tmp_path / "in")
    extra = ("--wide", tmp_path / "w.csv", "--feedback", tmp_path / "back", "--html", tmp_path / "m.html", "-q")
    assert run("gradebook", course, "--csv", tmp_path / "m.csv", *extra) == 0
    [row] = [row for row in rows_of(tmp_path / "m.csv") if id_of(row) == "05-1"]
    assert (row["points"], row["notes"]) == (points, notes)
    [wide] = rows_of(tmp_path / "w.csv")
    assert wide["total"] == f"{3 * float(points):g}", "the weight of lab 05 is 3"
    most = {
        lab: sum(float(row["max"]) for row in rows_of(tmp_path / "m.csv") if row["lab"] == lab) for lab in ("05", "06")
    }
    assert float(wide["max"]) == 3 * most["05"] + most["06"], "lab 06 is of the class, although nobody began it"
    [page] = (tmp_path / "back").iterdir()
    assert f"<b>{3 * float(points):g} of {wide['max']} points</b>" in page.read_text(encoding="utf-8")
    assert notes in page.read_text(encoding="utf-8") and "in the sums lab 05 × 3" in (tmp_path / "m.html").read_text(
        "utf-8"
    )


def test_an_exam_in_the_gradebook(tmp_path, capsys):
    """Only its numbers count; of several answers the last; what came after its end, or with other numbers, is told."""
    course = read_class(write(tmp_path, HEAD + EXAM_TEXT))
    attempt, anna, ben, zoe = course.exam.numbers, Writer("anna", day=5), Writer("ben", day=5), Writer("zoe", day=4)
    anna.event("sitting", lab="05", attempt=attempt, step="begin")
    for _ in range(4):
        anna.answer("05-2", anna.wrong("05-2", attempt), attempt)
    anna.answer("05-2", anna.right("05-2", attempt), attempt)
    anna.answer("05-1", anna.right("05-1", attempt), attempt)
    anna.event("sitting", lab="05", attempt=attempt, step="end")
    anna.answer("05-3", anna.right("05-3", attempt), attempt, time="2026-05-05T08:31:00+00:00")
    ben.do("05-1", "right")
    zoe.do("05-1", "right")
    carl = Writer("carl", "8a", day=4).do("05-1", "wrong")
    for each in (anna, ben, zoe, carl):
        each.save(tmp_path / "in")
    book = gradebook(tmp_path / "in", lab="05", most=1, course=course)
    rows = {(row.learner, row.exercise): row for row in book.rows}
    assert [rows["anna", id].points for id in ("05-1", "05-2", "05-3")] == [2, 2, 2]
    assert rows["anna", "05-2"].tries == 1 and not rows["anna", "05-2"].notes
    assert rows["anna", "05-3"].notes == ("late by 1 h; 0 of 2 by then",)
    assert rows["ben", "05-1"].points == 0 and rows["ben", "05-1"].notes == ("1 answer outside the exam, not counted",)
    assert rows["zoe", "05-1"].points == 0 and not rows["zoe", "05-1"].notes, (
        "who practised the day before is not noted"
    )
    sat = "anna (7b): from 2026-05-05 08:01 to 2026-05-05 08:08, 7 answers"
    assert book.sittings == (
        sat,
        "ben (7b): no sitting begun, 0 answers",
        "zoe (7b): no sitting begun, 0 answers",
        "carl (8a): no sitting begun, 0 answers",
    )
    assert book.unlisted == ("carl (8a): the class code is not 7b",)
    assert (
        run("gradebook", tmp_path, "--csv", tmp_path / "m.csv", "--html", tmp_path / "m.html", "--lab", "05", "-q") == 0
    )
    assert sat in capsys.readouterr().out and sat in (tmp_path / "m.html").read_text("utf-8")
