"""The gradebook: a class of 40 with three tampered records and a copied one, marked and reported."""

import csv
import hashlib
import json
import re
import subprocess
import sys
import unicodedata
from html.parser import HTMLParser

import numpy as np
import pytest
import school
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from school import CLASS, FIRST, SHARES, STATES, Writer

from gainlib.__main__ import main
from gainlib.audio import GainlibError
from gainlib.exercises import bank, exercise, read_events, tally
from gainlib.exercises.gradebook import collect, gradebook, read_class_list, read_overrides, write_csv
from gainlib.exercises.gradebook.items import FEWEST, items
from gainlib.exercises.gradebook.page import page

IDS = sorted((*school.TYPED, *school.PERFORMED))
ODD_NAMES = ("=2+5", "<b>Zoë</b> & Söhne", "Ångström, Åsa", "+49 30", "-x", "@all", 'Eva "Lu" O’Neil')


def run(*arguments):
    """Run a verb in this process and return its exit code, also where argparse ends it."""
    try:
        return main([str(word) for word in arguments])
    except SystemExit as end:
        return end.code


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


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
    assert (copied.who, copied.source, copied.mutual) == ((CLASS, "nora"), (CLASS, "otto"), False)
    assert copied.exercises == tuple(IDS)
    noted = [row for row in book.rows if any("answer of otto" in note for note in row.notes)]
    assert [(row.learner, row.exercise, row.points) for row in noted] == [("nora", id, 0) for id in IDS]


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
        "learner;class;exercise;points;note\nKARL;7b;05-1;1,5;shown at the board\nlina;;05-9;1;x\nnora;7b;05-2;9;x\n"
        "learner 03;7b;05-1;1;\nnobody;7b;05-1;1;x\n",
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
    assert raw.startswith(b"learner,class,lab,exercise,attempts,hints,points,max,state,time,variant,notes\n")
    rows = rows_of(out / "m.csv")
    assert len(rows) == 41 * len(IDS)
    mine = {(row["learner"].removeprefix("'"), row["exercise"]): row for row in rows}
    for row in book.rows:
        read = mine[row.learner, row.exercise]
        points = 1.5 if (row.learner, row.exercise) == ("karl", "05-1") else row.points
        assert float(read["points"]) == pytest.approx(points) and float(read["max"]) == row.max_points
        assert (int(read["attempts"]), int(read["hints"])) == (row.attempts, row.hints)
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
            joined = "\x1f".join(("", CLASS, "learner 10", row["exercise"], "0"))
            assert row["variant"].replace("-", "") == hashlib.sha256(joined.encode()).hexdigest()[:16]
    assert re.fullmatch(r"(\w{4}-){3}\w{4}", row["variant"])


def test_points_by_hand_keep_their_note(written, capsys):
    row = next(row for row in rows_of(written[0] / "m.csv") if row["learner"] == "karl" and row["exercise"] == "05-1")
    assert row["points"] == "1.5" and row["state"] == "wrong"
    assert row["notes"].endswith("points by hand: 0 to 1.5, shown at the board") and "stored L" in row["notes"]
    page = (written[0] / "m.html").read_text(encoding="utf-8")
    assert "Points by hand" in page and "shown at the board" in page


class Reading(HTMLParser):
    """Reads a page as a browser does: elements, their nesting, and the text of cells and list entries."""

    def __init__(self, text):
        super().__init__()
        self.open, self.seen, self.texts, self.scopes, self.attributes = [], [], [], [], set()
        self.feed(text)
        assert not self.open, "every element is closed"

    def handle_starttag(self, tag, attributes):
        self.seen.append(tag)
        self.attributes |= {name for name, _ in attributes}
        if tag == "th":
            self.scopes.append(dict(attributes).get("scope"))
        if tag in ("th", "td", "li"):
            self.texts.append("")
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.texts and {"th", "td", "li"} & set(self.open):
            self.texts[-1] += data


def test_the_page_holds_tables_and_no_markup_of_others(room, written):
    text = (written[0] / "m.html").read_text(encoding="utf-8")
    page = Reading(text)
    assert page.seen.count("table") == page.seen.count("caption") == 3
    assert set(page.scopes) == {"col", "row"}
    assert page.seen.count("b") == text.count("<b>"), "all bold is the page's own"
    assert not {"script", "img", "a"} & set(page.seen) and not [name for name in page.attributes if name[:2] == "on"]
    for name in ODD_NAMES:
        assert name in page.texts, f"{name} reads as it was typed"
    assert "<b>Zoë" not in text and 'Eva "Lu"' not in text
    colours = {shade for shade in re.findall(r"#([0-9a-f]{6})", text)}
    assert all(shade[:2] == shade[2:4] == shade[4:] for shade in colours), "greys only"


def test_what_is_said_on_the_screen(room, written, capsys, tmp_path):
    out, _ = written
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
    points = {row["exercise"]: float(row["points"]) for row in rows_of(tmp_path / "m.csv")}
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


def test_files_that_hold_the_same_events_count_once(tmp_path):
    anna, ben = Writer("anna").do("05-1", "told"), Writer("ben").do("05-3", "hint")
    anna.save(tmp_path / "week 1")
    anna.do("05-2", "right").save(tmp_path / "week 2")
    (tmp_path / "all.jsonl").write_text(ben.text() + anna.text() + ben.text(), encoding="utf-8")
    book = gradebook(tmp_path)
    assert len(book.names) == 2 and not book.disagreements and not book.copied and book.files == 3
    assert {(row.learner, row.exercise): row.points for row in book.rows if row.counts} == {
        ("anna", "05-1"): pytest.approx(0.8),
        ("anna", "05-2"): 2,
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
    book = gradebook(tmp_path, (*read_class_list(_list(tmp_path, "name\nZOE\u0308\n")),))
    assert sorted(book.names) == [("7b", "zoë"), ("8a", "zoë")] and not book.nothing and not book.unlisted
    assert [sum(row.points for row in book.of(who)) for who in sorted(book.names)] == [4, 2]


def _list(folder, text, encoding="utf-8"):
    path = folder / "list.csv"
    path.write_bytes(text.encode(encoding))
    return path


def test_nothing_to_mark(tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    (tmp_path / "empty").mkdir()
    assert run("gradebook", tmp_path / "empty", "--csv", out / "m.csv") == 1
    assert "no record with an event in it" in capsys.readouterr().err and not list(out.iterdir())
    assert run("gradebook", tmp_path / "none", "--csv", out / "m.csv") == 1
    assert "there is no record at" in capsys.readouterr().err
    listed = _list(out, "anna\nben\n")
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
    listed = read_class_list(_list(tmp_path, "anna;7b\nben;7b\ncleo;7b\nanna;8a\n"))
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


@pytest.mark.parametrize("seed", range(4))
def test_an_honest_class_copies_nothing(tmp_path, seed):
    """Forty learners with the usual mistakes, rounded answers and lazy guesses, three wrong answers an exercise."""
    rng = np.random.default_rng(seed)
    for number in range(40):
        writer = Writer(f"learner {number}")
        for id in school.TYPED:
            own, given = exercise(id), writer.given(id)
            for slip in own.slips:
                answer = slip.answer(given)
                if isinstance(answer, list) and None in answer:
                    continue
                writer.answer(id, [round(each, 1) for each in answer] if id == "05-3" else answer)
            if id != "05-6":
                guess = [float(rng.integers(-30, 10)) for _ in own.parts]
                writer.answer(id, guess if len(guess) > 1 else guess[0])
        writer.save(tmp_path)
    book = gradebook(tmp_path)
    assert book.copied == () and book.disagreements == ()


def test_a_few_copied_answers_are_enough_in_a_small_class_and_one_is_not(tmp_path):
    anna, ben, cleo = (Writer(name) for name in ("anna", "ben", "cleo"))
    for id in school.TYPED:
        anna.do(id, "right")
        cleo.do(id, "wrong")
    ben.answer("05-1", round(anna.right("05-1"), 1))
    for writer in (anna, ben, cleo):
        writer.save(tmp_path)
    assert gradebook(tmp_path).copied == ()
    ben.answer("05-2", round(anna.right("05-2"), 1))
    ben.answer("05-3", anna.right("05-3"))
    ben.save(tmp_path)
    [copied] = gradebook(tmp_path).copied
    assert (copied.who[1], copied.source[1], copied.solved) == ("ben", "anna", ("05-1", "05-2", "05-3"))


def test_the_same_controls_are_enough_even_when_wrong(tmp_path):
    """Starts differ, so faders in the same places are no chance; nothing tells who had them first."""
    anna, ben = Writer("anna"), Writer("ben")
    places = anna.right("05-5")
    places = {**places, "01 kick": {"fader_db": places["01 kick"]["fader_db"] - 15}}
    for writer in (anna, ben):
        writer.answer("05-5", places)
        writer.answer("05-1", writer.wrong("05-1"))
        writer.save(tmp_path)
    [copied] = gradebook(tmp_path).copied
    assert {copied.who[1], copied.source[1]} == {"anna", "ben"} and copied.mutual and copied.same == ("05-5",)


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
    assert (copied.who[1], copied.source[1], copied.lines) == ("adam", "zoe", 3) and not copied.mutual
    assert {book.names[each.who][1] for each in book.disagreements} == {"adam"}
    assert all("those of zoe (7b), no. 1" in each.sentence for each in book.disagreements)
    assert [sum(row.points for row in book.of((CLASS, name))) for name in ("zoe", "adam")] == [6, 0]


# ---- the two lists ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        ("Müller, Jörg\nanna\n\n", "utf-8"),
        ('"Müller, Jörg"\nanna\n', "utf-8-sig"),
        ("name;mail\nMüller, Jörg;x\nanna;y\n", "cp1252"),
        ("nr\tLearner\n1\tMüller, Jörg\n2\tanna\n3\tanna\n", "utf-16"),
    ],
)
def test_class_lists_as_programs_write_them(tmp_path, text, encoding):
    listed = read_class_list(_list(tmp_path, text, encoding), known={"müller, jörg"})
    assert [(each.learner, each.class_code) for each in listed] == [("Müller, Jörg", None), ("anna", None)]


def test_lists_that_are_none(tmp_path):
    with pytest.raises(GainlibError, match="names nobody"):
        read_class_list(_list(tmp_path, "name\n\n"))
    with pytest.raises(GainlibError, match="cannot be read"):
        read_class_list(tmp_path / "none.csv")
    with pytest.raises(GainlibError, match="lacks exercise, note"):
        read_overrides(_list(tmp_path, "learner,points\nanna,1\n"))
    for text in ("{", "{}", "[1]"):
        path = tmp_path / "by hand.json"
        path.write_text(text)
        with pytest.raises(GainlibError, match=r"is no JSON|no list of overrides"):
            read_overrides(path)


def test_overrides_as_json(tmp_path):
    Writer("anna").do("05-1", "wrong").save(tmp_path / "r")
    Writer("anna", "8a").do("05-1", "wrong").save(tmp_path / "r", "other")
    path = tmp_path / "by hand.json"
    own = {"learner": "Anna", "class": "7B", "exercise": "05-1", "points": 1, "note": "first"}
    entries = [own, {**own, "points": 1.25, "note": "second thoughts"}, {**own, "points": True}, {**own, "class": None}]
    path.write_text(json.dumps(entries), encoding="utf-8")
    overrides, problems = read_overrides(path)
    assert problems == (f"{path}, entry 3: “True” is no number of points; the line is skipped",)
    book = gradebook(tmp_path / "r", overrides=overrides)
    assert book.problems == (f"{path}, entry 4: “Anna” is in two classes; name the class",)
    [row] = [row for row in book.rows if row.points]
    assert (row.class_code, row.points) == (CLASS, 1.25)
    assert row.notes == ("points by hand: 0 to 1, first", "points by hand: 1 to 1.25, second thoughts")


# ---- the command line ------------------------------------------------------------------------------------------------


def test_wrong_use(tmp_path, capsys):
    record = Writer("anna").do("05-1", "right").save(tmp_path)
    good = ("gradebook", tmp_path, "--csv", tmp_path / "m.csv")
    wrong = {
        ("gradebook", tmp_path): "--csv",
        (*good, "--class-list", tmp_path / "none.csv"): "none.csv: cannot be read",
        (*good, "--overrides", record): "lacks",
        ("gradebook", tmp_path, "--csv", record): "choose another name for --csv",
        ("gradebook", tmp_path, "--csv", tmp_path): "is a folder",
        (*good, "--html", tmp_path / "m.csv"): "choose another name for --html",
        (*good, "--html", tmp_path / "no" / "m.html"): "does not exist",
        (*good, "--lab", "77"): "there is no lab '77'",
        (*good, "--sets", "0"): "is no count",
        ("key", "7b", " "): "name is empty",
        ("key", "7b", "anna", "--lab", "77"): "there is no such exercise",
        ("key", "7b", "anna", "--attempt", "-1"): "is no set of numbers",
    }
    for arguments, reason in wrong.items():
        assert run(*arguments) == 2, arguments
        assert reason in capsys.readouterr().err, arguments
    assert not (tmp_path / "m.csv").exists() and record.exists()


def test_results_replace_and_records_stay(tmp_path):
    record = Writer("anna").do("05-1", "right").save(tmp_path / "r")
    before = record.read_bytes()
    for _ in range(2):
        assert run("gradebook", record, "--csv", tmp_path / "m.csv", "-q") == 0
    assert record.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["m.csv", "r"], "nothing half-written is left"
    with pytest.raises(GainlibError, match="does not exist"):
        write_csv(tmp_path / "no" / "m.csv", gradebook(record))
    assert collect(tmp_path / "r").names() == {(CLASS, "anna"): (CLASS, "anna")}


def test_it_runs_without_a_screen(tmp_path):
    """In a process of its own: done, and nothing that shows pictures or widgets was loaded."""
    Writer("anna").do("05-1", "right").save(tmp_path)
    screens = "{'IPython', 'ipywidgets', 'anywidget', 'matplotlib', 'gainlib.notebook'}"
    code = (
        "import sys; from gainlib.__main__ import main; "
        f"done = main(['gradebook', {str(tmp_path)!r}, '--csv', {str(tmp_path / 'm.csv')!r}]); "
        f"print(done, sorted({screens} & set(sys.modules)))"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, encoding="utf-8")
    assert result.stdout.splitlines()[-1] == "0 []", result.stderr


def test_the_key_is_the_learners_own(capsys, monkeypatch):
    """Numbers, question, answer with tolerance and points, derivation; for one name in any spelling."""
    monkeypatch.setenv("COLUMNS", "120")
    assert run("key", " 7B", "Jörg Müller", "--exercise", "05-1", "--attempt", 2) == 0
    said = capsys.readouterr().out
    own = exercise("05-1")
    given = own.variant("jörg müller", 2, CLASS)
    level = given["L"] + 10 * np.log10(given["N"])
    assert f"Bus level: {level:.2f} dBFS [± 0.1 dB]".replace("-", "−") in said and "(2 points)" in said
    assert own.statement_for(given) in " ".join(said.split()) and own.explain_for(given) in " ".join(said.split())
    assert "numbers no. 3" in said and f"N = {given['N']}" in said
    assert run("key", "7b", "JO\u0308RG MU\u0308LLER ", "--exercise", "05-1", "--attempt", 2) == 0
    again = capsys.readouterr().out
    assert again.splitlines()[3:] == said.splitlines()[3:]
    run("key", "", "Jörg Müller", "--exercise", "05-1", "--attempt", 2)
    assert capsys.readouterr().out.splitlines()[3:] != said.splitlines()[3:], "another class has other numbers"


def test_the_key_of_a_lab(capsys):
    """Every exercise of the lab with all parts; no answer of a learner is needed."""
    assert run("key", CLASS, "anna", "--lab", "05") == 0
    said = capsys.readouterr().out
    heads = re.findall(r"^(\d\d-\d)  .*\((\d+) points?\)$", said, re.MULTILINE)
    assert heads == [(each.id, f"{each.points:g}") for each in bank() if each.lab == "05"]
    assert said.count("Derivation") == said.count("Question") == len(heads) and "**" not in said
