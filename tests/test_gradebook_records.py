"""Records as they come in: damaged, doubled, in any spelling, impossible, copied."""

import io
import json
import re
import unicodedata
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import school
from daily import daily
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from school import CLASS, IDS, Reading, Writer, id_of, rows_of, run, write_list

from gainlib.audio import GainlibError
from gainlib.exercises import exercise, mark
from gainlib.exercises.gradebook import gradebook, read_aliases, read_class_list, write_csv
from gainlib.exercises.gradebook.export import page
from gainlib.exercises.gradebook.marks import Answer, copies
from gainlib.exercises.gradebook.submissions import Line

# ---- damage, doubles, nobody -----------------------------------------------------------------------------------------


def test_damaged_lines_are_named_and_the_rest_counts(tmp_path, capsys):
    anna = Writer("anna").do("05-1", "right").do("05-2", "hint")
    deep = "[" * 60 + "]" * 60
    bad = {
        2: b'{"id": "x", "kind": "answ',
        4: b"\xff\xfe\x00",
        5: b'{"kind": "answer"}',
        6: json.dumps({**anna.lines[0], "learner": "\ud800"}).encode(),
        7: json.dumps({**anna.lines[0], "answer": 0}).replace('"answer": 0', f'"answer": {deep}').encode(),
    }
    good = [line.encode() for line in anna.text().splitlines()]
    (tmp_path / "sub").mkdir()
    path = tmp_path / "sub" / "anna.jsonl"
    path.write_bytes(
        b"\xef\xbb\xbf" + b"\r\n".join([good[0], bad[2], good[1], *(bad[n] for n in (4, 5, 6, 7)), *good[2:]])
    )
    (tmp_path / "sub" / "._anna.jsonl").write_bytes(b"\0\5")
    (tmp_path / "sub" / "folder.jsonl").mkdir()
    assert run("gradebook", tmp_path, "--csv", tmp_path / "m.csv", "-q") == 1
    said = capsys.readouterr().err
    assert [int(number) for number in re.findall(r"anna\.jsonl, line (\d+): ", said)] == sorted(bad)
    assert len(said.splitlines()) == 5 and "half a letter" in said and "nested deeper" in said
    points = {id_of(row): float(row["points"]) for row in rows_of(tmp_path / "m.csv")}
    assert points["05-1"] == 2 and points["05-2"] == pytest.approx(1.7)


def test_a_file_that_cannot_be_read_is_named_and_the_rest_counts(tmp_path, monkeypatch, capsys):
    Writer("anna").do("05-1", "right").save(tmp_path)
    locked = Writer("ben").save(tmp_path)
    read_bytes = type(locked).read_bytes

    def refuse(path):
        if path == locked:
            raise PermissionError(13, "Permission denied")
        return read_bytes(path)

    monkeypatch.setattr(type(locked), "read_bytes", refuse)
    assert run("gradebook", tmp_path, "--csv", tmp_path / "m.csv", "-q") == 1
    assert capsys.readouterr().err == f"{locked}: cannot be read (Permission denied); the file is skipped\n"
    assert sum(float(row["points"]) for row in rows_of(tmp_path / "m.csv")) == 2


def test_what_lies_hidden_beside_a_record_or_locks_it_is_not_told(tmp_path):
    Writer("anna").do("05-1", "right").save(tmp_path)
    for name in (".anna.jsonl", "anna.jsonl.lock"):
        (tmp_path / name).write_bytes(b"")
    book = gradebook(tmp_path)
    assert (book.files, book.unused, book.problems) == (1, (), ())


def test_files_that_hold_the_same_events_count_once(tmp_path):
    anna, ben = Writer("anna", rule=None).do("02-4", "second try"), Writer("ben").do("05-3", "hint")
    anna.save(tmp_path / "week 1")
    anna.do("02-5", "right").save(tmp_path / "week 2")
    (tmp_path / "all.jsonl").write_text(ben.text() + anna.text() + ben.text(), encoding="utf-8")
    book = gradebook(tmp_path)
    assert {row.exercise: row.notes for row in book.rows if row.notes} == {
        "02-4": (
            "2 answers are counted by the rule of an earlier version; "
            "the one that counts came after that had named the right value",
        ),
        "02-5": ("1 answer is counted by the rule of an earlier version",),
    }
    assert len(book.names) == 2 and not book.disagreements and not book.copied and book.files == 3
    assert {(row.learner, row.exercise): row.points for row in book.rows if row.counts} == {
        ("anna", "02-4"): 2,
        ("anna", "02-5"): 2,
        ("ben", "05-3"): pytest.approx(1.7),
    }


def test_time_decides_what_came_first_whatever_the_zone_and_the_file(tmp_path):
    """A hint opened at 10:30 in Berlin comes after an answer given at 8:20 UTC and before one at 8:40 UTC."""
    anna = Writer("anna")
    hint = anna.event("hint", exercise="05-6", attempt=0, hint=1)
    answer = anna.answer("05-6", anna.right("05-6"))
    hint["time"] = "2026-05-04T10:30:00+02:00"
    for clock, points in (("08:20", 3.0), ("08:40", 2.55)):
        answer["time"] = f"2026-05-04T{clock}:00+00:00"
        anna.save(tmp_path)
        assert sum(row.points for row in gradebook(tmp_path).rows) == pytest.approx(points)
    answer["time"] = "later"
    anna.save(tmp_path)
    book = gradebook(tmp_path)
    assert [each.sentence for each in book.disagreements] == ["the time “later” is none"]
    assert sum(row.points for row in book.rows) == pytest.approx(2.55), "no time is no way around a hint"


def test_one_name_in_any_spelling_and_two_classes(tmp_path):
    """An accent as a letter of its own and other capitals are the same learner; another class is another learner."""
    one = Writer("Zoë").do("05-1", "right")
    two = Writer(unicodedata.normalize("NFD", " ZOË ")).do("05-2", "right")
    other = Writer("zoë", "8a").do("05-1", "right")
    for index, writer in enumerate((one, two, other)):
        writer.save(tmp_path, f"{index}")
    book = gradebook(tmp_path, (*read_class_list(write_list(tmp_path, "name\nZOE\u0308\n")),))
    assert sorted(book.names) == [("7b", "zoë"), ("8a", "zoë")] and not book.nothing and not book.unlisted
    assert [sum(row.points for row in book.of(who)) for who in sorted(book.names)] == [4, 2]


def test_nothing_to_mark(tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    (tmp_path / "empty").mkdir()
    assert run("gradebook", tmp_path / "empty", "--csv", out / "m.csv") == 1
    assert "no record with an event in it" in capsys.readouterr().err and not list(out.iterdir())
    assert run("gradebook", tmp_path / "none", "--csv", out / "m.csv") == 1
    assert "there is no record at" in capsys.readouterr().err
    listed = write_list(out, "anna\nben\n")
    assert run("gradebook", tmp_path / "empty", "--csv", out / "m.csv", "--class-list", listed, "--lab", "05") == 1
    rows = rows_of(out / "m.csv")
    assert [(row["learner"], row["state"]) for row in rows] == [
        (name, "unattempted") for name in ("anna", "ben")
    ] * 0 + [(name, "unattempted") for name in ("anna", "ben") for _ in IDS]


def test_who_only_looked_handed_in_nothing(tmp_path):
    Writer("anna").do("05-1", "wrong").save(tmp_path)
    ben = Writer("ben")
    ben.event("start", lab="05")
    ben.event("hint", exercise="05-1", attempt=0, hint=1)
    ben.save(tmp_path)
    listed = read_class_list(write_list(tmp_path, "anna;7b\nben;7b\ncleo;7b\nanna;8a\n"))
    book = gradebook(tmp_path, listed)
    assert book.nothing == (
        "cleo (7b): no record",
        "anna (8a): no record; there is a record of anna (7b)",
        "ben (7b): a record, but no answer",
    )


def test_foreign_and_impossible_events(tmp_path):
    """Another's numbers, a negative attempt and an exercise that is none are reported, and earn nothing."""
    anna, ben = Writer("anna").do("05-3", "right"), Writer("ben")
    ben.answer("05-3", anna.right("05-3"), given=anna.given("05-3"))
    ben.event("answer", exercise="05-1", attempt=-1, answer=3, given=None)
    ben.event("answer", exercise="05-99", attempt=0, answer=3, given=None)
    for writer in (anna, ben):
        writer.save(tmp_path)
    book = gradebook(tmp_path)
    said = [each.sentence.partition(" (written")[0] for each in book.disagreements]
    assert said == [
        "there are no numbers no. 0; the answer does not count",
        "the stored numbers are those of anna (7b), no. 1",
    ]
    assert book.unknown == ("ben (7b): no exercise “05-99”",)
    assert sum(row.points for row in book.of((CLASS, "ben"))) == 0


def test_only_the_first_sets_and_one_lab(tmp_path):
    Writer("anna").do("05-1", "new numbers").save(tmp_path)
    assert sum(row.points for row in gradebook(tmp_path).rows) == 2
    assert sum(row.points for row in gradebook(tmp_path, most=1).rows) == 0
    assert run("gradebook", tmp_path, "--csv", tmp_path / "m.csv", "--sets", 1, "--lab", "05", "-q") == 0
    assert sum(float(row["points"]) for row in rows_of(tmp_path / "m.csv")) == 0


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=8,
)
EVENTS = st.fixed_dictionaries(
    {
        "id": st.sampled_from("abcdefgh"),
        "time": st.sampled_from(["2026-05-04T08:00:00Z", "0001-01-01T00:00:00+23:59", "9999-12-31", ""]),
        "kind": st.sampled_from(["answer", "answer", "hint", "start", "prediction", "attempt"]),
        "learner": st.sampled_from(["anna", "ANNA", "", "=1", "\x1b[2J\u202e", "ben\ud800"]),
        "class_code": st.sampled_from(["", "7b"]),
        "exercise": st.sampled_from(["05-1", "05-2", "05-3", "05-6", "05-99", "", "\n"]),
        "attempt": st.sampled_from([0, 0, 1, -1, 10**300]),
        "answer": JUNK | st.sampled_from([-20.5, [1, 2], ["float sum"], "[]", {"kick": {}}]),
        "hint": st.integers(-1, 3),
    },
    optional={"given": JUNK, "points": JUNK, "state": JUNK, "version": JUNK, "lab": st.just("05"), "question": JUNK},
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(events=st.lists(EVENTS | JUNK, max_size=12))
def test_no_record_stops_it(tmp_path, events):
    """Whatever stands in a record, the class is marked, and both files are written and read back."""
    record = tmp_path / "r.jsonl"
    record.write_text("\n".join(json.dumps(event) for event in events), encoding="utf-8")
    book = gradebook(record)
    write_csv(tmp_path / "m.csv", book)
    assert len(rows_of(tmp_path / "m.csv")) == len(book.rows)
    Reading(page(book))
    assert all(0 <= row.points <= row.max_points for row in book.rows)


# ---- copies ----------------------------------------------------------------------------------------------------------


def test_an_honest_class_copies_nothing(tmp_path):
    """Forty learners who round to 0.1, with the usual mistakes, a lazy guess, and the right answer in the end.

    In one exercise or another somebody's slip is somebody else's right answer; in three between the same two it is not.
    """

    def rounded(answer):
        return [rounded(each) for each in answer] if isinstance(answer, list) else answer and round(answer, 1)

    rng = np.random.default_rng(1)
    for number in range(40):
        writer = Writer(f"learner {number}")
        for id in ("05-1", "05-2", "05-6"):
            own, given = exercise(id), writer.given(id)
            for slip in own.slips:
                answer = slip.answer(given)
                writer.answer(id, answer if id == "05-6" else rounded(answer))
            if id != "05-6":
                guess = [float(rng.integers(-30, 10)) for _ in own.parts]
                writer.answer(id, guess if len(guess) > 1 else guess[0])
                writer.answer(id, rounded(own.solve(given)))
        writer.save(tmp_path)
    book = gradebook(tmp_path)
    assert book.copied == () and book.disagreements == ()


QUICK = [
    *("00-1", "00-2", "00-5", "01-1", "01-2", "01-3", "02-4", "02-5", "02-6"),
    *("03-1", "03-3", "05-1", "05-2", "09-1", "09-2", "09-4", "10-1", "10-3"),
]
"""Answered with numbers alone, and drawn and marked in well under a millisecond."""


def _honest(rng, id, given):
    """Yield what somebody enters who works alone: mistakes that many make, a sign lost, steps by ear; mostly right."""
    own = exercise(id)
    right = np.atleast_1d(own.solve(given)).astype(float)
    mistakes = [slip.answer(given) for slip in own.slips if slip.active(given)]
    mistakes += [list(-right), list(right + rng.choice([-6, -3, 3, 6, 10, 20])), list(right / 2)]
    if rng.random() < 0.4:
        start, step = np.round(right + rng.integers(-6, 7)), float(rng.choice([0.5, 1.0]))
        mistakes += [list(start + step * count) for count in range(-6, 7)]
    chosen = [mistakes[at] for at in rng.permutation(len(mistakes))[: rng.integers(0, 12)]]
    decimals = int(rng.integers(0, 3))
    for answer in [*chosen, list(right)] if rng.random() < 0.85 else chosen:
        values = [round(value, decimals) for value in np.atleast_1d(answer) if value is not None]
        if len(values) == len(right):
            yield values if len(values) > 1 else values[0]


def _honest_class(seed):
    """Return the answers of forty learners who work when they like, each by their own numbers, marked."""
    rng = np.random.default_rng(seed)
    for number in range(40):
        learner = f"{seed}/{number}"
        for id in QUICK:
            given = exercise(id).variant(learner, 0, CLASS)
            minutes = np.sort(rng.integers(0, 10_000, 20))
            for answer, minute in zip(_honest(rng, id, given), minutes, strict=False):
                time = datetime(2026, 5, 4, 8, tzinfo=UTC) + timedelta(minutes=int(minute))
                line = Line({"time": time.isoformat(), "given": given}, Path(learner), 1)
                verdict = mark(exercise(id), given, answer)
                yield Answer((CLASS, learner), id, 0, answer, given, verdict, line)


@pytest.mark.parametrize("seed", list(daily(range(200), 10)))
def test_no_honest_class_is_accused(seed):
    answers = list(_honest_class(seed))
    assert copies(answers) == ((), ())
    wrong = [answer for answer in answers if answer.verdict.state == "wrong"]
    right = {(each.exercise, str(each.value)) for each in answers if each.verdict.state == "right"}
    chance = [each for each in wrong if (each.exercise, str(each.value)) in right]
    assert len(wrong) > 300 and len(chance) > 100, "there was something to mistake"


def test_three_copied_answers_are_named_and_two_are_not(tmp_path):
    """To the last decimal: what is only near somebody else's right answer may be anybody's."""
    anna, ben, cleo = (Writer(name, day=day) for name, day in (("anna", 4), ("ben", 5), ("cleo", 4)))
    for id in school.TYPED:
        anna.do(id, "right")
        cleo.do(id, "wrong")
    ben.answer("05-1", anna.right("05-1"))
    ben.answer("05-3", anna.right("05-3"))
    ben.answer("05-2", round(anna.right("05-2"), 2) + 0.01)
    for writer in (anna, ben, cleo):
        writer.save(tmp_path)
    assert gradebook(tmp_path).copied == ()
    ben.answer("05-2", anna.right("05-2"))
    ben.save(tmp_path)
    [copied] = gradebook(tmp_path).copied
    assert (copied.who[1], copied.source[1], copied.exercises) == ("ben", "anna", ("05-1", "05-2", "05-3"))


def test_a_file_with_the_name_changed_is_both_copied_and_tampered(tmp_path):
    """The usual way: take a friend's file, replace the name. No event of either is lost, whoever is read first."""
    zoe = Writer("zoe")
    for id in ("05-1", "05-2", "05-3"):
        zoe.do(id, "right")
    zoe.save(tmp_path)
    taken = tmp_path / "adam.jsonl"
    taken.write_text(zoe.text().replace('"learner": "zoe"', '"learner": "adam"'), encoding="utf-8")
    book = gradebook(tmp_path)
    [copied] = book.copied
    assert (copied.who[1], copied.source[1], copied.lines) == ("adam", "zoe", 3)
    assert {book.names[each.who][1] for each in book.disagreements} == {"adam"}
    assert all("those of zoe (7b), no. 1" in each.sentence for each in book.disagreements)
    assert [sum(row.points for row in book.of((CLASS, name))) for name in ("zoe", "adam")] == [6, 0]


def test_whose_file_was_taken_is_not_accused(tmp_path):
    """The copier has done more of their own than the source, before and beside it; the source is still not named."""
    zoe, adam = Writer("zoe").do("05-1", "right"), Writer("adam")
    for id in ("05-2", "05-3", "05-6"):
        adam.do(id, "right")
    zoe.save(tmp_path)
    taken = zoe.text().replace('"learner": "zoe"', '"learner": "adam"')
    (tmp_path / "adam.jsonl").write_text(adam.text() + taken, encoding="utf-8")
    [copied] = gradebook(tmp_path).copied
    assert (copied.who[1], copied.source[1], copied.lines) == ("adam", "zoe", 1)
    bare = Writer("zoe")
    bare.event("start", lab="05")
    bare.save(tmp_path)
    taken = bare.text().replace('"learner": "zoe"', '"learner": "adam"')
    (tmp_path / "adam.jsonl").write_text(adam.text() + taken, encoding="utf-8")
    book = gradebook(tmp_path)
    assert not book.copied and book.unclear == ("adam (7b) and zoe (7b)",), "nothing in the line tells whose it is"
    answers = [Writer("ben", day=3), Writer("carl", day=5)]
    for id in ("05-1", "05-2", "05-3"):
        answers[0].answer(id, answers[1].right(id))
        answers[1].do(id, "right")
    for writer in answers:
        writer.save(tmp_path / "others")
    assert not gradebook(tmp_path / "others").copied, "what was answered first is nobody's copy"


# ---- files as platforms hand them out --------------------------------------------------------------------------------


def _zipped(**files):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        for name, content in files.items():
            archive.writestr(name.replace("__", "."), content)
    return held.getvalue()


def test_a_record_is_known_by_what_it_holds(tmp_path, capsys):
    """Renamed, packed twice, one list, UTF-16: all marked; what is no record is named, and so is what is lost."""
    texts = {name: Writer(name).do("05-1", "right").text() for name in "abcdefg"}
    (tmp_path / "a.jsonl.txt").write_text(texts["a"], encoding="utf-8")
    (tmp_path / "b.json").write_text(texts["b"], encoding="utf-8-sig")
    (tmp_path / "c.JSONL").write_text(texts["c"], encoding="utf-8")
    (tmp_path / "d.json").write_text(f"[{texts['d']}]", encoding="utf-8")
    (tmp_path / "e").write_text(texts["e"], encoding="utf-16")
    packed = _zipped(f__jsonl=texts["f"], notes__txt="see you")
    (tmp_path / "all.zip").write_bytes(_zipped(f__zip=packed, g__txt=texts["g"], again__jsonl=texts["a"]))
    mailed = _zipped(jürgen__txt="see you").replace(b"\x14\0\0\x08", b"\x14\0\0\0")  # UTF-8, and does not say so
    (tmp_path / "mailed.zip").write_bytes(mailed)
    (tmp_path / "cut.zip").write_bytes(packed[:-30])
    (tmp_path / "lab.ipynb").write_text("{}")
    (tmp_path / "empty.jsonl").write_bytes(b"\n")
    (tmp_path / "deep.zip").write_bytes(_zipped(a__zip=_zipped(b__zip=_zipped(c__zip=packed))))
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    listed = write_list(tmp_path, "name\n" + "\n".join("abcdefg") + "\n")
    assert run("gradebook", tmp_path, "--csv", tmp_path / "m.csv", "--class-list", listed, "-q") == 1
    said = capsys.readouterr()
    assert {row["learner"] for row in rows_of(tmp_path / "m.csv") if row["points"] == "2"} == set("abcdefg")
    assert "cut.zip: is a zip archive that is cut off or damaged" in said.err
    assert "empty.jsonl: is empty" in said.err and len(said.err.splitlines()) == 3
    assert "c.zip: is an archive within archives too deep to look into" in said.err
    for sentence in (
        "notes.txt: holds no record",
        "lab.ipynb: is a notebook",
        "jürgen.txt: holds no record",
        "again.jsonl: is the same as a.jsonl.txt, and counted once",
    ):
        assert sentence in said.out or sentence.replace("a.jsonl.txt", "again.jsonl") in said.out, said.out
    assert "m.csv" not in said.out and "list.csv" not in said.out
    assert all(path.read_bytes() == content for path, content in before.items()), "nothing is unpacked or altered"


def test_a_file_under_another_name_is_told(tmp_path):
    Writer("adam").do("05-1", "right").save(tmp_path, "Zoë_Lang 12")
    book = gradebook(tmp_path, read_class_list(write_list(tmp_path, "name\nLang Zoë\nadam\n")))
    assert book.nothing == ("Lang Zoë: no record; the file Zoë_Lang 12.jsonl is a record of adam (7b)",)


def test_one_learner_under_two_spellings(tmp_path):
    """Two spaces and a nickname: marked by the numbers of each, put together, and sorted as a register is."""
    one, two, nick = Writer("Inés Müller"), Writer("Inés  Müller", day=5), Writer("nessi", day=6)
    one.do("05-1", "wrong").do("05-2", "right").save(tmp_path)
    two.do("05-1", "right").save(tmp_path)
    nick.do("05-3", "right").save(tmp_path)
    for name in ("Zoe", "Émilie", "adam"):
        Writer(name).do("05-1", "wrong").save(tmp_path)
    aliases = read_aliases(write_list(tmp_path, "also;learner;class\nNESSI;Inés Müller;7b\n"))
    book = gradebook(tmp_path, read_class_list(write_list(tmp_path, "name\ninés   müller\n")), aliases=aliases)
    assert list(dict.fromkeys(row.learner for row in book.rows)) == ["adam", "Émilie", "Inés Müller", "Zoe"]
    own = {row.exercise: row for row in book.of((CLASS, "inés müller"))}
    assert [own[id].points for id in ("05-1", "05-2", "05-3")] == [2, 2, 2] and not book.nothing
    assert own["05-1"].notes == ("also answered as “Inés Müller”; the best counts",) and own["05-1"].tries == 2
    with pytest.raises(GainlibError, match="lacks also or learner"):
        read_aliases(write_list(tmp_path, "a,b\nx,y\n"))
