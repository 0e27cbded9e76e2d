"""The page in front of the labs: who works here, states and links, the record's round trip, words, and its notebook."""

import json
import re
from datetime import date
from pathlib import Path

import nbclient
import nbformat
import pytest

from gainlib.exercises import Record, bank, exercise
from gainlib.notebook import Index, Lab
from gainlib.notebook.glossary import GLOSSARY, GlossaryView, matching
from gainlib.notebook.identity import is_pseudonym, kept
from gainlib.notebook.records import BEGUN, DONE, NOT_BEGUN, ProgressSheet

ROOT = Path(__file__).parent.parent
NOTEBOOK = ROOT / "labs" / "index.ipynb"
SCREENS = ROOT / "gainlib"


def states(shelf):
    return {lab.number: lab for lab in shelf.labs()}


def answer(folder, id, right=True, learner="anna", class_code="7b", attempt=0):
    each = exercise(id)
    given = each.variant(learner, attempt, class_code)
    value = each.solve(given) if right else each.slips[0].answer(given)
    Record(folder).answer(learner, id, attempt, value, given, class_code)


@pytest.fixture
def index(tmp_path):
    index = Index(folder=tmp_path, labs=ROOT / "labs")
    index.shelf.become("anna", "7b")
    return index


# ---- who, and how far ------------------------------------------------------------------------------------------------


def test_a_name_entered_once_serves_every_lab(tmp_path):
    index = Index(folder=tmp_path)
    assert is_pseudonym(index.shelf.learner)
    panel, record = index.who(), index.record()
    assert panel.file.layout.display == "none" and record.save.text == "Download my record", "at home there is no class"
    assert "and in" not in record._about.value
    panel.name.value, panel.class_code.value = " Anna ", "7b"
    assert panel.file.layout.display is None
    panel.take.click()
    assert kept(tmp_path) == {"learner": "Anna", "class_code": "7b"}
    assert "Anna, class 7b" in panel.said.text and record.save.text == "Hand in (download my record)"
    lab = Lab("00", folder=tmp_path)
    assert (lab.learner.name, lab.learner.class_code) == ("Anna", "7b")
    panel.name.value = "  "
    panel.take.click()
    assert "the name is empty; give a name" in panel.said.text
    assert kept(tmp_path)["learner"] == "Anna"


def test_a_class_code_that_was_left_out_is_asked_for(tmp_path):
    answer(tmp_path, "05-1")
    answer(tmp_path, "05-3", right=False)
    points = Lab("05", folder=tmp_path, learner="anna", class_code="7b").score().points
    index = Index(folder=tmp_path, labs=ROOT / "labs")
    panel, lab = index.who(), None
    assert panel.code.layout.display == "none", "nobody of that name works here yet"
    panel.name.value, panel.class_code.value = "Anna", ""
    panel.take.click()
    told = panel.code._said.text
    assert (
        told == f"With class code 7b there are {points:.1f} points by this name; without it none. Did you leave it out?"
    )
    panel.code.yes.click()
    assert (index.shelf.learner, index.shelf.class_code) == ("Anna", "7b") and panel.code.layout.display == "none"
    assert kept(tmp_path) == {"learner": "Anna", "class_code": "7b"}

    panel.class_code.value = "7c"
    panel.take.click()
    assert f"{points:.1f} points by this name; with 7c none. Is this the right one?" in panel.code._said.text
    panel.code.no.click()
    assert panel.code.layout.display == "none" and index.shelf.class_code == "7c"
    index.update()
    assert panel.code.layout.display == "none", "it is asked once"
    lab = Lab("05", folder=tmp_path)
    head = lab.title()
    assert "With class code 7b" in head.code._said.text and lab.score().points == 0.0
    head.code.yes.click()
    assert lab.learner.class_code == "7b" and lab.score().points == points
    assert Lab("06", folder=tmp_path, class_code="7c").title().code.layout.display == "none", "no points in that lab"


def test_points_without_a_class_code_are_found_as_well(tmp_path):
    answer(tmp_path, "05-1", class_code="")
    index = Index(folder=tmp_path, labs=ROOT / "labs")
    panel = index.who()
    panel.name.value, panel.class_code.value = "anna", "7b"
    panel.take.click()
    assert panel.code._said.text.startswith("Without a class code there are 2.0 points by this name; with 7b none.")
    panel.code.yes.click()
    assert index.shelf.class_code == ""


def test_every_lab_with_a_notebook_is_listed_with_minutes_and_points(index):
    found = states(index.shelf)
    assert list(found) == sorted(path.name[:2] for path in (ROOT / "labs").glob("[0-9][0-9]-*.ipynb"))
    for number, lab in found.items():
        assert lab.max_points == sum(each.points for each in bank() if each.lab == number)
        assert lab.points == 0 and lab.state == NOT_BEGUN and lab.link == lab.file
        assert (ROOT / "labs" / lab.file).is_file() and lab.minutes >= 30
    page = index.labs().bundle()["text/html"]
    assert page.count("begin lab") == len(found)


def test_what_is_mastered_stands_beside_the_points(index, tmp_path):
    lab = Lab("05", folder=tmp_path, learner=index.shelf.learner)
    sums = lab.learner.exercise("05-1")
    for _ in range(2):
        lab.answer(sums.id, sums.solve(lab.given(sums.id)))
        lab.learner.new_numbers(sums)
    lab.learner.kept.flush()
    found = index.labs().bundle()
    assert "mastered 1 of 6" in found["text/plain"] and ">1 of 6</td>" in found["text/html"]
    assert "mastered 1 of 6" in lab.score()._table.value


def test_a_lab_that_was_only_opened_is_not_begun(index, tmp_path):
    Record(tmp_path).start("anna", "00", "7b")
    assert states(index.shelf)["00"].state == NOT_BEGUN


def test_one_goes_on_where_one_stopped(index, tmp_path):
    answer(tmp_path, "00-1")
    assert states(index.shelf)["00"].link.endswith("#cell-id=00-exercise-2")
    answer(tmp_path, "00-5", right=False)
    lab = states(index.shelf)["00"]
    assert (lab.state, lab.right, lab.points) == (BEGUN, 1, 2)
    assert lab.link.endswith("#cell-id=00-exercise-5")
    page = index.labs().bundle()["text/html"]
    assert "resume lab 00 where you stopped" in page and "1 of 6 right" in page
    for k in range(1, 7):
        answer(tmp_path, f"00-{k}", attempt=1)
    lab = states(index.shelf)["00"]
    assert (lab.state, lab.resume) == (DONE, "00-score") and lab.points == lab.max_points


def test_the_links_lead_to_cells_that_exist():
    for path in sorted((ROOT / "labs").glob("[0-9][0-9]-*.ipynb")):
        number, ids = path.name[:2], {cell.id for cell in nbformat.read(path, as_version=4).cells}
        assert f"{number}-score" in ids
        assert {f"{number}-exercise-{each.id[-1]}" for each in bank() if each.lab == number} <= ids


# ---- the record ------------------------------------------------------------------------------------------------------


def downloaded(panel):
    """Return name and bytes as the browser would get them."""
    sent = []
    panel.save.send = lambda content, buffers: sent.append((content["name"], bytes(buffers[0])))
    panel.save.save()
    return sent[0]


def test_a_record_goes_out_and_comes_in_somewhere_else(index, tmp_path):
    answer(tmp_path, "00-1")
    answer(tmp_path, "00-2", right=False)
    answer(tmp_path, "00-3", learner="ben")
    name, content = downloaded(index.record())
    assert name == f"record-7b-anna-{date.today()}.jsonl"
    lines = [json.loads(line) for line in content.decode().splitlines()]
    assert [event["learner"] for event in lines] == ["anna", "anna"]
    elsewhere = Index(folder=tmp_path / "other", labs=ROOT / "labs")
    panel = elsewhere.record()
    panel.upload(name, content)
    assert "2 of 2 lines were new" in panel.said.text and "You are now **anna**" in panel.said.text
    assert (elsewhere.shelf.learner, elsewhere.shelf.class_code) == ("anna", "7b")
    assert states(elsewhere.shelf)["00"].points == states(index.shelf)["00"].points == 2
    assert downloaded(panel)[1] == content
    panel.upload(name, content)
    assert "0 of 2 lines were new" in panel.said.text


def test_a_record_of_somebody_else_says_whose_it_is(index, tmp_path):
    answer(tmp_path / "other", "00-1", learner="ben")
    panel = index.record()
    panel.upload("record.jsonl", (tmp_path / "other" / "record.jsonl").read_bytes())
    assert index.shelf.learner == "anna" and "They hold what **ben** did" in panel.said.text


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "is empty"),
        (b"%PDF-1.7 \xff\xfe\x00", "is not a record: not UTF-8 text in line 1"),
        (b'{"id": 1}\n', "is not a record: “id” is missing"),
        (b"hello\nworld\n", "is not a record: not a whole line of JSON in line 1"),
        (b"{" * 100_000, "is not a record"),
        (None, "too large"),
        (b" " * 10 + b"x" * 20_000_001, "never has more than 20 MB"),
    ],
)
def test_what_is_no_record_is_refused_with_a_sentence(index, tmp_path, content, why):
    panel = index.record()
    panel.upload("thing.jsonl", content)
    assert panel.said.state == "wrong" and "Refused" in panel.said.text and why in panel.said.text
    assert not (tmp_path / "record.jsonl").exists()


def test_a_damaged_record_is_refused_and_its_whole_lines_are_taken_on_request(index, tmp_path):
    for id in ("00-1", "00-2"):
        answer(tmp_path / "other", id)
    content = (tmp_path / "other" / "record.jsonl").read_bytes()
    panel = index.record()
    panel.upload("record.jsonl", content[:-20])
    assert (
        "record.jsonl is damaged: line 2 cannot be read" in panel.said.text and "1 lines are whole" in panel.said.text
    )
    assert not (tmp_path / "record.jsonl").exists() and panel.readable.layout.display == ""
    panel.readable.click()
    assert "1 of 1 lines were new" in panel.said.text and panel.readable.layout.display == "none"
    assert states(index.shelf)["00"].points == 2


def test_erasing_needs_a_tick_and_leaves_the_others(index, tmp_path):
    answer(tmp_path, "00-1")
    answer(tmp_path, "00-1", learner="ben")
    panel = index.record()
    panel.gone.click()
    assert "Not erased" in panel.said.text and len(index.shelf.events) == 1
    panel.sure.value = True
    panel.gone.click()
    assert "1 lines of anna are gone" in panel.said.text and not panel.sure.value
    assert Record(tmp_path).events().learners() == (("7b", "ben"),)
    assert is_pseudonym(index.shelf.learner) and "anna" not in (tmp_path / "learner.json").read_text()


def test_nothing_to_download_is_said(index):
    panel = index.record()
    panel.save.send = None  # nothing may be sent
    panel.save.save()
    assert "There is no line under the name anna" in panel.said.text


def test_an_awkward_name_makes_a_file_name_for_every_system(tmp_path):
    shelf = ProgressSheet(tmp_path)
    shelf.become('Å/b\\c: "d" ', "7 b")
    assert shelf.file_name == f"record-7_b-Å_b_c___d_-{date.today()}.jsonl"


# ---- words -----------------------------------------------------------------------------------------------------------


def test_glossary_entries_are_sorted_distinct_and_plain():
    names = [entry.term for entry in GLOSSARY]
    assert names == sorted(names, key=str.casefold) and len(set(names)) == len(names) >= 50
    for entry in GLOSSARY:
        assert entry.plain.endswith(".") and entry.plain[0].isupper() | entry.plain[0].isdigit()
        assert len(entry.plain) < 130


def test_every_sign_of_the_glossary_is_on_some_screen():
    source = "\n".join(
        path.read_text(encoding="utf-8") for path in sorted(SCREENS.rglob("*.py")) if "glossary" not in path.name
    )
    assert [entry.symbol for entry in GLOSSARY if entry.symbol and entry.symbol not in source] == []


def test_a_word_is_found():
    assert [entry.term for entry in matching("cut off flat")] == ["clipping"]
    view = GlossaryView()
    assert view._table.value.count("<tr>") == len(GLOSSARY) + 1
    view.find.value = "LUFS"
    assert "loudness" in view._table.value and "polarity" not in view._table.value
    view.find.value = "no such word"
    assert "no such entry" in view._said.text


# ---- the notebook ----------------------------------------------------------------------------------------------------


def test_the_notebook_runs_and_tells_what_a_server_forgets(tmp_path, monkeypatch):
    monkeypatch.setenv("GAINLIB_RECORDS", str(tmp_path))
    book = nbformat.read(NOTEBOOK, as_version=4)
    text = "\n".join(cell.source for cell in book.cells if cell.cell_type == "markdown")
    assert "Run All Cells" in text.splitlines()[0]
    assert "−20 dBFS" in text and "Turn the amplifier" in text
    nbclient.NotebookClient(book, timeout=120, kernel_name="python3").execute()
    outputs = [output for cell in book.cells if cell.cell_type == "code" for output in cell.outputs]
    assert [o for o in outputs if o["output_type"] == "error" or o.get("name") == "stderr"] == []
    pages = [o["data"]["text/html"] for o in outputs if "text/html" in o.get("data", {})]
    assert len(re.findall(r'href="\d\d-[\w-]+\.ipynb', pages[0])) == len(states(ProgressSheet(tmp_path, ROOT / "labs")))


def test_the_start_opens_the_index():
    assert "labs/index.ipynb" in (ROOT / "binder" / "workbook.py").read_text(encoding="utf-8")
