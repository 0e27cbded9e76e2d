"""Lab 12's panels without a page: one state for all tasks, what follows the hand, what is handed in."""

import json
import time

import pytest

from gainlib.exercises import exercise
from gainlib.exercises.capstone import assignment, measurements, reference
from gainlib.notebook import Lab
from gainlib.notebook.panels import lab12
from gainlib.notebook.panels.lab12_desk import PRACTICE, TARGETS, SessionDesk
from gainlib.notebook.panels.lab12_places import places_of
from gainlib.notebook.panels.lab12_strip import StripControls

FRAME_S = 0.080


@pytest.fixture
def lab(tmp_path):
    return Lab("12", folder=tmp_path, learner="anna", class_code="7b")


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """Return a lab with its panel, for tests that put it back to start."""
    made = Lab("12", folder=tmp_path_factory.mktemp("lab12"), learner="anna", class_code="7b")
    return made, made.panel("session")


@pytest.fixture
def session(shared):
    made, panel = shared
    panel.places.replace(panel.places.found)
    panel.chosen.value = TARGETS[0]
    return made, panel


def cells(table):
    return {row[0]: row[1:] for row in table["rows"]}


# ---- one state -----------------------------------------------------------------------------------------------------


def test_what_the_hand_sets_is_what_every_task_hands_in(session):
    lab, panel = session
    forms = {id: lab.exercise(id) for id in ("12-3", "12-4", "12-5", "12-6")}
    assert forms["12-3"].entered() is None
    panel.chosen.value = "05 bass"
    panel.strip.trims.set_values({"trim": 3.0})
    panel.strip.fader.set_values([-1.5])
    for id in ("12-3", "12-4"):
        entered = forms[id].entered()
        assert entered["05 bass"]["trim_db"] == 3.0 and entered["05 bass"]["fader_db"] == -1.5
    assert forms["12-5"].entered()["controls"] == forms["12-3"].entered()
    assert "2 controls are moved" in forms["12-4"].panel._stand.text
    assert (
        sum(
            value != panel.places.found[target][name]
            for target, fields in entered.items()
            for name, value in fields.items()
        )
        == 2
    )


def test_answers_put_the_session_back(tmp_path):
    first = Lab("12", folder=tmp_path, learner="anna", class_code="7b")
    given = first.given("12-3")
    controls = reference.controls(given)
    assert first.answer("12-3", controls).state == "right"
    later = json.loads(json.dumps(controls))
    later["08 pad"]["fader_db"] += 1.0
    assert first.answer("12-4", later).state == "wrong"
    again = Lab("12", folder=tmp_path, learner="anna", class_code="7b")
    forms = [again.exercise(f"12-{k}") for k in range(1, 7)]
    assert places_of(again.learner).values == later, "the last answer to any task"
    assert "Right" in forms[2].said.text and "Not yet" in forms[3].said.text


def test_another_session_is_another_for_all(session, lab):
    forms = [lab.exercise(f"12-{k}") for k in range(1, 7)]
    before = {form.given["seed"] for form in forms}
    forms[3].new_numbers()
    after = {form.given["seed"] for form in forms}
    assert len(before) == len(after) == 1 and before != after
    assert all("session no. 2" in form._head.value for form in forms)
    places = places_of(lab.learner)
    assert places.seed in after and places.answer() is None


def test_practice_and_back(lab):
    panel, forms = lab.panel("session"), [lab.exercise(f"12-{k}") for k in range(1, 7)]
    counted = panel.places.seed
    assert all(form.hint.description == "Hint 1 of 1" for form in forms)
    panel.chosen.value = "08 pad"
    panel.strip.fader.set_values([-2.0])
    panel.run.value = PRACTICE
    assert panel.places.seed != counted and panel.places.answer() is None
    assert "practice session no. 1" in forms[0]._head.value
    form = forms[1]
    assert form.hint.description == "Hint 1 of 2" and form.hint.tooltip == "free: this is practice"
    form.open_hint()
    form.open_hint()
    assert len(form._hints.children) == 2
    lab.learner.answer(form.exercise, form.exercise.solve(form.given))
    assert "This is practice, so no points are counted." in form.said.text
    assert lab.score().points == 0
    panel.run.value = panel.run.options[0]
    assert panel.places.seed == counted
    assert form.hint.description == "Hint 1 of 1" and len(form._hints.children) == 0
    for _ in range(3):
        form.open_hint()
    assert len(form._hints.children) == 1, "one hint where it counts"


# ---- under the hand ------------------------------------------------------------------------------------------------


def test_the_picture_follows_and_is_measured_on_release(session):
    _, panel = session
    panel.chosen.value = "08 pad"
    before = panel.picture.live.widget.png
    panel.strip.trims.values_db = [-6.0, *panel.strip.trims.values_db[1:]]
    assert panel.picture.live.widget.png != before
    panel.strip.trims.released += 1
    rows = cells(panel._table.children[0].table)
    trace = assignment.staged(panel.places.answer(), panel.places.given).render()
    for point, node in (("behind its trim", "trim"), ("into box 1", "insert 1/in"), ("ahead of the fader", "post")):
        reading = trace.reading(f"08 pad/{node}")
        assert rows[point][0] == f"{reading.active_dbfs:.1f}".replace("-", "−")
        assert rows[point][2] == f"{reading.rms_dbfs:.1f}".replace("-", "−")


@pytest.mark.timed
def test_a_move_takes_no_longer_than_a_picture(session):
    _, panel = session
    panel.chosen.value = "05 bass"
    took = []
    for k in range(15):
        begun = time.thread_time()
        panel.strip.trims.values_db = [0.1 * k, *panel.strip.trims.values_db[1:]]
        took.append(time.thread_time() - begun)
    print(f"picture: {1000 * sorted(took)[7]:.0f} ms")
    assert sorted(took)[7] < FRAME_S


def test_a_group_follows_the_hand_too(session):
    _, panel = session
    panel.chosen.value = "drums"
    before = panel.picture.live.widget.png
    trims = panel.strip.trims
    trims.values_db = [trims.values_db[0] - 3.0, *trims.values_db[1:]]
    assert panel.picture.live.widget.png != before
    trims.released += 1
    rows = cells(panel._table.children[0].table)
    node = assignment.staged(panel.places.answer(), panel.places.given).render().reading("drums/insert 1/out")
    assert rows["out of box 1"][2] == f"{node.rms_dbfs:.1f}".replace("-", "−"), "its compressor is in it"


def test_undo_and_back_to_start(session):
    _, panel = session
    panel.chosen.value = "01 kick"
    found = dict(panel.places.found["01 kick"])
    panel.strip.trims.set_values({"trim": 5.0})
    panel.strip.trims.set_values({"post trim": -5.0})
    panel.strip.fader.undo()
    assert panel.places.values["01 kick"] == {**found, "trim_db": 5.0}
    panel.chosen.value = "02 snare"
    panel.strip.trims.set_values({"trim": 1.0})
    panel.chosen.value = "01 kick"
    panel.strip.fader.undo()
    assert panel.places.values["01 kick"] == found
    panel.start.click()
    assert panel.places.answer() is None and panel.strip.values == found


def test_every_strip_and_group_comes_up(session):
    _, panel = session
    for name in TARGETS:
        panel.chosen.value = name
        assert name in panel._status.text and panel.picture.live.widget.alt
        assert panel.strip.values == panel.places.values[name]
    assert panel.hear_strip.disabled, "a group has no stem"
    panel.next.click()
    assert panel.name == TARGETS[0]
    panel.back.click()
    assert panel.name == TARGETS[-1]


def test_a_closed_fader_stands_at_its_end():
    given = exercise("12-3").variant("anna", 0, "7b")
    controls = [each for each in assignment.controls(given) if each.target == "05 bass"]
    strip = StripControls("05 bass", controls, assignment.as_found(given)["05 bass"])
    strip.fader.set_values([float("-inf")])
    assert strip.values["fader_db"] == assignment.FADER_LOW_DB


# ---- on request ----------------------------------------------------------------------------------------------------


def test_stems_and_mix_are_measured_on_request(session):
    _, panel = session
    panel.stems.click()
    table = panel._asked.children[0].table
    assert len(table["rows"]) == 11 and cells(table)["11 shaker"][1] == "silent"
    given = panel.places.given
    panel.mix.click()
    rows = cells(panel._asked.children[-1].table)
    found = measurements.figures_of(None, given)
    assert rows["bus, true peak"][0] == f"{found.bus.true_peak_dbtp:+.2f} dBTP".replace("-", "−")
    assert rows["bass against the rest"][0] == "0.00 dB"
    panel.chosen.value = "08 pad"
    panel.strip.fader.set_values([panel.strip.values["fader_db"] - 2.0])
    panel.mix.click()
    picture, table = panel._asked.children
    assert cells(table.table)["pad against the rest"][0] == "−2.00 dB" and "pad −2.00 dB" in picture.sentence
    assert "Farthest from its old balance: pad, −2.00 dB" in panel._mix_said.text
    panel.strip.fader.set_values([panel.strip.values["fader_db"] + 1.0])
    assert "measure it again" in panel._mix_said.text


def test_the_mix_table_has_every_cell_of_the_sheet_that_no_strip_has(session):
    _, panel = session
    panel.mix.click()
    rows = cells(panel._asked.children[-1].table)
    for name in ("05 bass, at the bus, RMS", "01 kick, at the drum group, RMS", "drums, its sum, RMS", "bus, loudness"):
        assert name in rows


def test_it_can_be_heard(session):
    _, panel = session
    panel.hear_strip.click()
    player = panel._sound.children[0]
    assert player.names == ["stem", "strip"] and player.match
    panel.hear_mix.click()
    assert panel._heard.children[0].names == ["as found", "now"]


# ---- export and sheet ----------------------------------------------------------------------------------------------


def test_an_export_from_the_page_counts(lab, tmp_path):
    form = lab.exercise("12-5")
    form.panel.places.replace(reference.controls(form.given))
    form.panel.button.click()
    assert form.panel.facts["bits"] == 24 and (tmp_path / "lab-12-export" / "mix.wav").is_file()
    form.submit()
    assert "Right (15 of 15 points)" in form.said.text
    record = (tmp_path / "record.jsonl").read_text()
    assert str(tmp_path) not in record and form.panel.facts["sha256"] in record
    form.panel.places.set("08 pad", {"post_trim_db": 0.0})
    form.submit()
    assert "Not yet" in form.said.text or "Partly" in form.said.text


def test_cells_as_they_are_typed(lab):
    form = lab.exercise("12-6")
    assert form.entered() is None
    form.panel.places.replace(reference.controls(form.given))
    answer = exercise("12-6").solve(form.given)
    for line, value in zip(form.panel.lines, answer["cells"], strict=True):
        line.value = f"{value:.1f}".replace("-", "−").replace(".", ",")
    form.submit()
    assert "Right (10 of 10 points)" in form.said.text
    form.panel.lines[0].value = "loud"
    form.submit()
    assert "Not readable" in form.said.text and "Expected a number" in form.said.text


def test_the_prediction_is_borne_out_by_the_group():
    outcome, sentence, table = lab12.compare()
    assert outcome == lab12.LESS and "moved behind the compressor, it is exact" in sentence
    assert table.rows[1][1] == "−4.00 dB" and float(table.rows[0][1][1:5]) < 3.9


def test_pass_and_distinction(lab):
    score = lab.score()
    assert "0 %: <b>not passed yet</b>" in score._table.value
    for id in ("12-1", "12-2", "12-3", "12-4"):
        lab.answer(id, exercise(id).solve(lab.given(id)))
    assert "75 %: <b>passed</b>" in score._table.value
    lab.answer("12-5", exercise("12-5").solve(lab.given("12-5")))
    assert "90 %: <b>passed with distinction</b>" in score._table.value


def test_only_its_own_panels_are_there(lab):
    with pytest.raises(ValueError, match="lab 12 has no panel 'bus'; it has 'session'"):
        lab.panel("bus")
    assert isinstance(lab.panel("session"), SessionDesk)
