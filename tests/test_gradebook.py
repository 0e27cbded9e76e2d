"""The gradebook: a class of 40 with three tampered records and a copied one, marked and reported."""

import csv
import hashlib
import os
import pickle
import re
import sys
from pathlib import Path

import numpy as np
import pytest
import school
from school import CLASS, FIRST, IDS, SHARES, STATES, Reading, Writer, id_of, rows_of, run

from gainlib.exercises import bank, exercise, mark, marking, read_events, tally
from gainlib.exercises.gradebook import gradebook
from gainlib.exercises.gradebook.rows import FEWEST, items

ODD_NAMES = ("=2+5", "<b>Zoë</b> & Söhne", "Ångström, Åsa", "+49 30", "-x", "@all", 'Eva "Lu" O’Neil')


# ---- a class of forty ------------------------------------------------------------------------------------------------


class Room:
    """The records of a class, and what has to come out."""

    def __init__(self, folder):
        rng = np.random.default_rng(7)
        self.folder, self.plans = folder, {}
        names = [*ODD_NAMES, *(f"learner {number:02d}" for number in range(28))]
        for name, plan in zip(names, school.plans(rng, len(names)), strict=True):
            self.plans[name] = plan
            writer = Writer(name)
            for id, word in plan.items():
                writer.do(id, word)
            writer.save(folder / "handed in", f"record {len(self.plans)}")
        self.tampered = [self._other_numbers("karl"), self._later_numbers("lina"), self._own_marks("mona")]
        self._copied("nora", "otto")

    def _other_numbers(self, name):
        """Numbers changed in the file, and an answer that is right for those."""
        writer = Writer(name)
        given = writer.given("05-1")
        easy = {**given, "L": given["L"] + (5.0 if given["L"] < -20 else -5.0)}
        writer.answer("05-1", exercise("05-1").solve(easy), given=easy)
        writer.save(self.folder)
        return name

    def _later_numbers(self, name):
        """The numbers and the answer of a later attempt under the first."""
        writer = Writer(name)
        writer.answer("05-2", writer.right("05-2", 2), given=writer.given("05-2", 2))
        writer.save(self.folder)
        return name

    def _own_marks(self, name):
        """Points written into the record, and an event rewritten in a second copy of it."""
        writer = Writer(name)
        writer.answer("05-1", writer.wrong("05-1"), points=2.0, state="right")
        first = writer.answer("05-2", writer.wrong("05-2"))
        writer.save(self.folder, "mona 1")
        first["answer"] = writer.right("05-2")
        writer.save(self.folder, "mona 2")
        return name

    def _copied(self, copier, source):
        """All right, and the same typed again by somebody with other numbers."""
        owner, taker = Writer(source), Writer(copier, day=5)
        for id in IDS:
            owner.do(id, "right")
            taker.answer(id, owner.right(id))
        owner.save(self.folder)
        taker.save(self.folder)

    def expected(self, name):
        """Return points for every exercise, by the plan."""
        worth = {each.id: each.points for each in bank()}
        return {id: worth[id] * SHARES[word] for id, word in self.plans[name].items()}


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    return Room(tmp_path_factory.mktemp("school"))


@pytest.fixture(scope="module")
def book(room):
    return gradebook(room.folder)


def test_everybody_has_the_points_the_plan_earns(room, book):
    assert len(book.names) == 40 and len(book.rows) == 40 * len(IDS)
    found = {(row.learner, row.exercise): row for row in book.rows}
    for name, plan in room.plans.items():
        for id, points in room.expected(name).items():
            row = found[name, id]
            assert row.points == pytest.approx(points), (name, id, plan[id])
            assert row.state == STATES.get(plan[id], "right"), (name, id, plan[id])
            assert (row.first == "right") == (plan[id] not in FIRST)
            assert row.attempts == {"new numbers": 2, "nothing": 0}.get(plan[id], 1)
            assert row.hints == {"hint": 1, "three hints": 3}.get(plan[id], 0)
            assert row.class_code == CLASS and row.lab == "05"
            assert bool(row.time) == (plan[id] != "nothing")
    assert {word for plan in room.plans.values() for word in plan.values()} == set(SHARES), "every plan occurs"


def test_the_notebooks_count_and_the_gradebooks_agree(room, book):
    """Two readers of the same records: read_events and tally, as a notebook uses them, give the same points."""
    events = read_events(room.folder)
    for name in room.plans:
        scores = tally(events, name, CLASS).scores
        own = {row.exercise: row for row in book.rows if row.learner == name}
        assert {id: (row.points, row.state, row.hints) for id, row in own.items()} == {
            id: (scores[id].points, scores[id].state, scores[id].hints) for id in own
        }


def test_several_at_a_time_find_the_same(room, book, tmp_path):
    """Marked in two processes, every row, figure and finding is what one process finds."""
    for name in ("karl", *(f"handed in/record {number}" for number in range(20, 28))):
        (tmp_path / f"{name[-9:]}.jsonl").write_bytes((room.folder / f"{name}.jsonl").read_bytes())
    counted = []
    two = gradebook(tmp_path, processes=2, progress=lambda total: lambda: counted.append(total))
    assert two == gradebook(tmp_path) and len(two.names) == 9 and two.disagreements
    assert len(counted) == counted[0] == sum(path.read_text().count('"kind": "answer"') for path in tmp_path.iterdir())


def test_a_mark_once_made_is_kept(tmp_path, monkeypatch):
    """Marked once more nothing is worked out but what is new or spoilt; other code has marks of its own."""
    counting, folder, records = sys.modules[tally.__module__], tmp_path / "kept" / "now", tmp_path / "records"
    former = tmp_path / "kept" / "former" / "mark"
    former.parent.mkdir(parents=True)
    former.touch()
    Writer("anna").do("05-1", "second try").do("05-2", "right").save(records)
    monkeypatch.setattr(marking, "WORTH_S", -1.0)
    counting.marked.cache_clear()
    first, made = gradebook(records, keep=folder), sorted(folder.iterdir())
    assert len(made) == 3 and not former.exists() and marking._place == []
    counted = []
    monkeypatch.setattr(counting, "mark", lambda *words: counted.append(words) or mark(*words))
    for content, worked_out in ((None, 0), (b"", 1), (pickle.dumps(1)[:-1], 1)):
        if content is not None:
            made[0].write_bytes(content)
        counting.marked.cache_clear()
        counted.clear()
        assert gradebook(records, keep=folder) == first and len(counted) == worked_out
    Writer("ben").do("05-1", "right").save(records)
    counting.marked.cache_clear()
    counted.clear()
    assert gradebook(records, keep=folder).of(("7b", "anna")) == first.of(("7b", "anna")) and len(counted) == 1
    assert marking.marks_folder().parent == Path(os.environ["GAINLIB_CACHE"]) / "marks"
    monkeypatch.setenv("GAINLIB_CACHE", "")
    assert marking.marks_folder() is None


def test_the_three_tampered_records_are_named_and_no_other(room, book):
    by_name = {}
    for each in book.disagreements:
        by_name.setdefault(book.names[each.who][1], []).append((each.exercise, each.sentence))
    assert sorted(by_name) == sorted(room.tampered)
    [(id, sentence)] = by_name["karl"]
    stored = exercise("05-1").variant("karl", 0, CLASS)["L"]
    assert id == "05-1" and re.match(r"stored L −?[\d.]+, must be " + f"{stored:g}".replace("-", "−"), sentence)
    assert "written by version 0" in sentence
    [(id, sentence)] = by_name["lina"]
    assert id == "05-2" and sentence.startswith("the stored numbers are this learner's no. 3, the line says no. 1")
    assert [id for id, _ in by_name["mona"]] == ["05-1", "05-1", "05-2"]
    said = " / ".join(sentence for _, sentence in by_name["mona"])
    assert "stored points 2" in said and "stored state right, marked wrong" in said and "two versions" in said
    assert "mona 2.jsonl, line 2" in said
    points = {
        row.learner: row.points for row in book.rows if row.learner in room.tampered and row.state != "unattempted"
    }
    assert points == dict.fromkeys(room.tampered, 0), "marked by the numbers they must have had"


def test_the_copied_record_is_named_and_no_other(book):
    [copied] = book.copied
    assert (copied.who, copied.source, copied.lines) == ((CLASS, "nora"), (CLASS, "otto"), 0)
    telling = [id for id in IDS if id != "05-6"]  # one of a few set-ups is nobody's alone
    assert copied.exercises == tuple(telling)
    noted = [row for row in book.rows if any("answer of otto" in note for note in row.notes)]
    assert [(row.learner, row.exercise, row.points) for row in noted] == [("nora", id, 0) for id in telling]


def test_facility_is_what_counting_gives(room, book):
    """Against numpy, from the plans alone; the five without a plan are counted by hand.

    Otto is right in all. Nora has his answers: wrong for her, but in 05-6 not even among what she can choose.
    """
    worth = {each.id: each.points for each in bank()}
    for item in book.items:
        tried = [(SHARES[plan[item.exercise]], plan[item.exercise]) for plan in room.plans.values()]
        tried = [(share, word) for share, word in tried if word != "nothing"]
        extra = {"05-1": [1, 0, 0, 0], "05-2": [1, 0, 0, 0], "05-6": [1]}.get(item.exercise, [1, 0])
        shares = np.array([share for share, _ in tried] + extra)
        assert item.tried == len(shares)
        assert item.facility == pytest.approx(shares.mean(), abs=1e-12)
        first = sum(word not in FIRST for _, word in tried) + 1
        assert item.first == pytest.approx(first / len(shares))
        right = sum(STATES.get(word, "right") == "right" for _, word in tried) + 1
        assert item.right == right and worth[item.exercise] > 0


def test_discrimination_against_numpy(book):
    """The correlation of an exercise with the mean of the learner's others, by numpy.corrcoef over a table."""
    who = sorted({row.who for row in book.rows})
    table = np.full((len(who), len(IDS)), np.nan)
    for row in book.rows:
        if row.counts:
            table[who.index(row.who), IDS.index(row.exercise)] = row.points / row.max_points
    for column, item in enumerate(book.items):
        own, others = table[:, column], np.delete(table, column, axis=1)
        use = ~np.isnan(own) & ~np.isnan(others).all(axis=1)
        if use.sum() < FEWEST:
            assert item.discrimination is None
        else:
            wanted = np.corrcoef(own[use], np.nanmean(others[use], axis=1))[0, 1]
            assert item.discrimination == pytest.approx(wanted, abs=1e-12)
    assert sum(item.discrimination is not None for item in book.items) == 4
    same = [row for row in book.rows if row.state == "right" and row.points == row.max_points]
    assert all(item.discrimination is None for item in items(same, IDS)), "nothing to tell apart"


# ---- what is written -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def written(room, tmp_path_factory):
    """Run the command line over the class, with a class list and overrides; return the folder of results."""
    out = tmp_path_factory.mktemp("results")
    listed = [*room.plans, "Karl", "LINA", "mona", "nora", "absent Anja"]
    with (out / "class.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([["Name", "Class"], *([name, CLASS.upper()] for name in listed)])
    (out / "by hand.csv").write_text(
        "learner;class;exercise;points;note\nKARL;7b;05-1 and its title;1,5;shown at the board\nlina;;05-9;1;x\n"
        "nora;7b;05-2;9;x\nlearner 03;7b;05-1;1;\nnobody;7b;05-1;1;x\n",
        encoding="cp1252",
    )
    lists = ["--class-list", out / "class.csv", "--overrides", out / "by hand.csv"]
    code = run("gradebook", room.folder, "--csv", out / "m.csv", "--html", out / "m.html", *lists, "-q")
    return out, code


def test_the_table_reads_back(room, book, written):
    out, code = written
    assert code == 1, "four lines of the overrides are none"
    raw = (out / "m.csv").read_bytes()
    assert raw.decode("utf-8").isprintable() or b"\r" not in raw
    assert raw.startswith(
        b"learner,class,lab,exercise,attempts,tries,hints,spent,shown,mastered,points,max,state,time,variant,notes,slips\n"
    )
    rows = rows_of(out / "m.csv")
    assert len(rows) == 41 * len(IDS)
    mine = {(row["learner"].removeprefix("'"), id_of(row)): row for row in rows}
    for row in book.rows:
        read = mine[row.learner, row.exercise]
        points = 1.5 if (row.learner, row.exercise) == ("karl", "05-1") else row.points
        assert float(read["points"]) == pytest.approx(points) and float(read["max"]) == row.max_points
        for name in ("attempts", "tries", "hints", "spent", "shown"):
            assert int(read[name]) == getattr(row, name)
        assert read["mastered"] == ("yes" if row.mastered else "no")
        assert (read["class"], read["lab"], read["state"]) == (CLASS, "05", row.state)
        assert re.fullmatch(r"(2026-05-0[45]T\d\d:\d\d:00Z)?", read["time"])
    assert mine["absent Anja", "05-1"]["notes"] == "nothing handed in" and mine["absent Anja", "05-1"]["points"] == "0"


def test_no_cell_is_a_formula(room, written):
    """A cell that begins with = + - @ is one for a spreadsheet; the names of this class try."""
    cells = [cell for row in csv.reader((written[0] / "m.csv").open(encoding="utf-8", newline="")) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
    assert {f"'{name}" for name in ODD_NAMES if name[0] in "=+-@"} <= set(cells)


def test_the_code_of_the_numbers_is_their_seed(written):
    """SHA-256 over salt, class, learner, exercise and attempt, joined by U+001F; computed with hashlib alone."""
    for row in rows_of(written[0] / "m.csv"):
        if row["learner"] == "learner 10" and row["attempts"] == "1":
            joined = "\x1f".join(("", CLASS, "learner 10", id_of(row), "0"))
            assert row["variant"].replace("-", "") == hashlib.sha256(joined.encode()).hexdigest()[:16]
    assert re.fullmatch(r"(\w{4}-){3}\w{4}", row["variant"])


def test_points_by_hand_keep_their_note(written, capsys):
    row = next(row for row in rows_of(written[0] / "m.csv") if row["learner"] == "karl" and id_of(row) == "05-1")
    assert row["points"] == "1.5" and row["state"] == "wrong"
    assert row["notes"].endswith("points by hand: 0 to 1.5, shown at the board") and "stored L" in row["notes"]
    page = (written[0] / "m.html").read_text(encoding="utf-8")
    assert "Points by hand" in page and "shown at the board" in page


def test_the_page_holds_tables_and_no_markup_of_others(room, written):
    text = (written[0] / "m.html").read_text(encoding="utf-8")
    page = Reading(text)
    assert page.seen.count("table") == page.seen.count("caption") == 5
    assert set(page.scopes) == {"col", "row"}
    assert page.seen.count("b") == text.count("<b>"), "all bold is the page's own"
    assert not {"script", "img", "a"} & set(page.seen) and not [name for name in page.attributes if name[:2] == "on"]
    for name in ODD_NAMES:
        assert name in page.texts, f"{name} reads as it was typed"
    assert "<b>Zoë" not in text and 'Eva "Lu"' not in text
    colours = {shade for shade in re.findall(r"#([0-9a-f]{6})", text)}
    assert all(shade[:2] == shade[2:4] == shade[4:] for shade in colours), "greys only"


def test_what_is_said_on_the_screen(room, written, capsys, tmp_path, monkeypatch):
    out, _ = written
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)  # a bar is shown on a terminal only
    lists = ["--class-list", out / "class.csv", "--overrides", out / "by hand.csv"]
    assert run("gradebook", room.folder, "--csv", tmp_path / "m.csv", *lists) == 1
    said = capsys.readouterr()
    assert re.search(r"% \|.+\| \d+ of \d+ answers", said.err), "a progress bar, on the other stream"
    assert "Handed in nothing:\n  absent Anja (7B): no record" in said.out
    assert "Not on the class list:\n  otto (7b)" in said.out
    assert "nora (7b): answers that are right for the numbers of otto (7b)" in said.out
    assert (
        "Records that disagree" in said.out
        and "karl, 05-1: 1.5 instead of 0, shown at the board" in said.out.replace("KARL", "karl")
    )
    for line, reason in (
        (3, "no exercise “05-9”"),
        (4, "outside 0 to 2"),
        (5, "has no note"),
        (6, "no record of “nobody”"),
    ):
        assert re.search(rf"by hand.csv, line {line}: .*{reason}", said.err), said.err
    assert (tmp_path / "m.csv").read_bytes() == (out / "m.csv").read_bytes(), "the same records, the same table"
