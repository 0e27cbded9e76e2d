"""Nothing that was moved is lost: what stands on a desk stands there again, whatever has happened in between."""

import json
import logging
import math
import re
import signal
import subprocess
import sys
import threading
import time

import ipywidgets as widgets
import numpy as np
import pytest
from conftest import widgets_closed
from daily import every, rest

from gainlib.exercises import bank
from gainlib.exercises.bank import declared, lab_numbers
from gainlib.exercises.experiment import Again, Choice, Mixer, Slider, Text, Trims
from gainlib.notebook import Lab, kept
from gainlib.notebook.controls import as_json, setting_of
from gainlib.notebook.desk import Desk
from gainlib.notebook.fields import BY_READINGS, ListeningField, NumberField, StateField
from gainlib.notebook.kept import Kept, path_for
from gainlib.notebook.panels.blind import MatchRun

WHO = ("anna", "7b")


def other(control):
    """Return values of a control that differ from those it has at first."""
    if isinstance(control, Slider):
        steps = control.steps or (control.low, control.high)
        return {control.name: next(each for each in steps if each != control.start)}
    if isinstance(control, Choice):
        return {control.name: list(control.options)[-1 if control.start != list(control.options)[-1] else 0]}
    if isinstance(control, Again):
        return {control.name: control.start + 2}
    if isinstance(control, Text):
        return {control.name: control.start + "\n1 −2"}
    if isinstance(control, Trims):
        return {control.name: {name: control.low_db + 0.5 * k for k, name in enumerate(control.names)}}
    levels = {name: -10.0 - 0.5 * k for k, name in enumerate(control.names)} | {control.names[-1]: -math.inf}
    return {control.name: levels} | {option: (control.names[0],) for option in control.options}


def experiments():
    """Return every experiment of every lab by a name for it."""
    found = {}
    for number in lab_numbers():
        page = declared(number)
        found |= {f"{number} {name}": make for name, make in page.experiments.items()}
        for name, make in page.personal.items():
            found[f"{number} {name}"] = lambda make=make: make(np.random.Generator(np.random.PCG64(1)))
        for each in (each for each in bank() if each.id in page.tasks):
            task, given = page.tasks[each.id], each.variant(*WHO[:1])
            if getattr(task, "experiment", task) is not None:
                found[each.id] = lambda task=task, given=given: task.of(given) if hasattr(task, "of") else task(given)
    return found


EXPERIMENTS = experiments()


@pytest.fixture(autouse=True)
def no_widget_outlives_its_test():
    """Close each desk and form behind its test; there are many."""
    yield from widgets_closed()


@pytest.mark.parametrize("name", EXPERIMENTS)
def test_every_setting_of_every_desk_goes_to_json_and_back(name):
    experiment = EXPERIMENTS[name]()
    values = {}
    for control in experiment.controls:
        values |= other(control)
    setting = experiment.start.with_(**values)
    assert not experiment.controls or setting != experiment.start
    through = json.loads(json.dumps(as_json(experiment, setting), allow_nan=False))
    assert setting_of(experiment, through) == setting
    for junk in (None, 7, [], {}, {name: None for name in setting}, {name: "x" for name in setting}):
        again = setting_of(experiment, junk)
        texts = {each.name for each in experiment.controls if isinstance(each, Text)}
        assert all(again[n] == experiment.start[n] for n in setting if n not in texts), junk


def desks_of(lab):
    """Return a function for every desk of a lab, by a name for it; the capstone's own are elsewhere."""
    page = declared(lab)
    names = [*page.experiments, *page.personal]
    found = {f"panel {name}": lambda lab, name=name: lab.panel(name) for name in names}
    return found | {id: lambda lab, id=id: lab.exercise(id).panel for id in page.tasks}


DESKS = [(lab, name) for lab in lab_numbers() if lab != "12" for name in desks_of(lab)]


@pytest.mark.parametrize(("number", "name"), every(3, DESKS))
def test_a_desk_stands_as_it_was_left(number, name, tmp_path, monkeypatch):
    make = desks_of(number)[name]
    desk = make(Lab(number, folder=tmp_path, learner=WHO[0], class_code=WHO[1]))
    if not isinstance(desk, Desk):
        pytest.fail(f"{name} shows no desk") if name.startswith("panel") else None
        return
    values = {}
    for control in desk.experiment.controls:
        values |= other(control)
    desk.set(**values)
    left, tab = desk.setting, len(desk.bar.tabs) - 1
    desk.bar.chosen = max(tab, 0)
    for faders in desk.mixers.values():
        faders.locked = True
    kept._at_the_end()

    drawn = []
    run = Desk.run.fget
    monkeypatch.setattr(Desk, "run", property(lambda self: drawn.append(self.setting) or run(self)))
    again = make(Lab(number, folder=tmp_path, learner=WHO[0], class_code=WHO[1]))
    assert again.setting == left and again.bar.chosen == max(tab, 0) and not again.bar.can_undo
    assert all(faders.locked for faders in again.mixers.values())
    assert set(drawn) <= {left}, "it was drawn as found first"
    if again.settings is not None:
        assert again.settings.off == desk.settings.off and again.settings.hidden == desk.settings.hidden
    if desk.experiment.told is not None:
        assert again.said.text == desk.said.text
    for view, was in zip(again._views, desk._views, strict=True):
        assert view.widget.layout.display == was.widget.layout.display
    if again.experiment.controls:
        again.reset()
        assert again.setting == again.experiment.start.with_(**again._counts, **again._turned(left)), (
            "back to start still goes to the start"
        )


@pytest.mark.parametrize("name", every(3, EXPERIMENTS))
def test_one_undo_goes_over_every_control_of_a_desk(name):
    desk = Desk(EXPERIMENTS[name]())
    stood = [desk.setting]
    for control in desk.experiment.controls:
        if isinstance(control, Choice) and control.turns:
            continue
        if isinstance(control, Again):
            desk.press(control.name)
        elif isinstance(control, Text):
            desk.texts[control.name].value = other(control)[control.name]
        elif isinstance(control, Mixer | Trims):
            faders = desk.mixers[control.name]
            faders.set_values({control.names[0]: -5.5})
            for option in control.options:
                stood.append(desk.setting)
                setattr(faders, option, [control.names[0]])
                faders.released += 1
        else:
            desk.settings.set(**other(control))
        if desk.setting != stood[-1]:
            stood.append(desk.setting)
    for expected in reversed(stood[:-1]):
        assert desk.bar.can_undo
        desk.undo()
        assert desk.setting == expected
    assert not desk.bar.can_undo


def test_another_learner_finds_a_desk_as_it_came_and_the_first_finds_it_as_left(tmp_path):
    lab = Lab("05", folder=tmp_path, learner="anna")
    desk = lab.panel("bus")
    start = desk.setting
    desk.set(**other(next(each for each in desk.experiment.controls if isinstance(each, Mixer))))
    left = desk.setting
    lab.learner.become("ben")
    assert desk.setting == start
    lab.learner.become("anna")
    assert desk.setting == left


# ---- what is entered and not checked ---------------------------------------------------------------------------------


def enter(field):
    """Enter something into a field as a hand does, if it is no desk; return what stands there then."""
    if isinstance(field, NumberField):
        field._line.value = " -12,5 d"
    elif isinstance(field, ListeningField):
        field._run.take(1.25 if isinstance(field._run, MatchRun) else "B")
        if field.silent is not None:
            enter(field.silent)
            field.way.value = BY_READINGS
    elif not isinstance(field, StateField):
        for entry in list(field._inputs)[:2]:
            if isinstance(entry, widgets.Checkbox):
                entry.value = True
            elif isinstance(entry, widgets.Text):
                entry.value = "7,"
            else:
                entry.index = len(entry.options) - 1
    return field.standing()


FORMS = [each.id for each in bank()]


@pytest.mark.parametrize("id", every(3, FORMS))
def test_what_was_entered_and_not_checked_stands_there_again(id, tmp_path):
    lab = Lab(id[:2], folder=tmp_path, learner=WHO[0], class_code=WHO[1])
    form = lab.exercise(id)
    assert not (tmp_path / "kept").exists(), "a form that was only looked at keeps nothing"
    entered = [enter(field) for field in form.fields]
    verdict = form.said.text
    kept._at_the_end()
    again = Lab(id[:2], folder=tmp_path, learner=WHO[0], class_code=WHO[1])
    there = again.exercise(id)
    assert [field.standing() for field in there.fields] == entered and there.entered() == form.entered()
    assert there.said.text == verdict and again.score().points == 0.0
    if any(each is not None for each in entered) and not form.exercise.series:
        there.again.click()
        assert there.question.layout.display is None, "it asks before the entry is lost"
        there.question.yes.click()
        assert not any(field.standing() for field in there.fields), "new numbers begin afresh"


def test_of_answer_and_entry_the_later_one_stands(tmp_path):
    lab = Lab("05", folder=tmp_path, learner="anna")
    form = lab.exercise("05-1")
    form.fields[0]._line.value = "1"
    lab.answer("05-1", "2" if len(form.fields) == 1 else ["2"] * len(form.fields))
    kept._at_the_end()
    form = Lab("05", folder=tmp_path, learner="anna").exercise("05-1")
    assert form.fields[0].value() == "2" and form.said.text
    form.fields[0]._line.value = "3"
    kept._at_the_end()
    form = Lab("05", folder=tmp_path, learner="anna").exercise("05-1")
    assert form.fields[0].value() == "3" and form.said.text, "the verdict on the answer stays"


@pytest.mark.parametrize("junk", [7, [{"a": []}], *map(rest, ("x", [], [7], [None] * 9, [[[]]], [True]))])
def test_an_entry_that_fits_no_more_is_left_out(junk, tmp_path):
    for id in ("00-3", "00-4", "05-3", "07-5", "12-6"):
        lab = Lab(id[:2], folder=tmp_path, learner="anna")
        for each in (junk, junk * len(lab.exercise(id).fields) if isinstance(junk, list) and len(junk) == 1 else junk):
            lab.learner.kept.keep(f"{id} 0 entry", each)
            assert len(lab.exercise(id).fields) > 0


def test_an_answer_in_another_tab_is_taken_over(tmp_path):
    one, two = (Lab("05", folder=tmp_path, learner="anna") for _ in range(2))
    first, second = one.exercise("05-1"), two.exercise("05-1")
    count = len(first.fields)
    one.answer("05-1", "2" if count == 1 else ["2"] * count)
    kept._at_the_end()
    two.learner.kept.look()
    assert second.question.layout.display is None
    second.question.yes.click()
    assert second.entered() == first.entered() and second.said.text == first.said.text
    one.learner.new_numbers(one.learner.exercise("05-1"))
    kept._at_the_end()
    two.learner.kept.look()
    second.question.yes.click()
    assert two.learner.attempt(two.learner.exercise("05-1")) == 1 and second.given == first.given


def test_blind_runs_of_any_two_sounds_go_on_where_they_were_left(tmp_path):
    panel = Lab("00", folder=tmp_path, learner="anna").panel("blind")
    panel.controls.set(trials=8, sound="snare")
    panel.begin()
    panel.blind.rest_by_chance()
    panel.begin()
    panel.blind.take("A")
    panel.blind.take("B")
    panel.controls.set(trials=16)
    kept._at_the_end()
    again = Lab("00", folder=tmp_path, learner="anna").panel("blind")
    assert again.history == panel.history and again.controls.values == panel.controls.values
    assert again.blind.made == ["A", "B"] and again.blind._order == panel.blind._order
    assert again.said.text == panel.said.text and "Trial 3 of 8" in again.said.word
    again.blind.rest_by_chance()
    assert again.history[1][1].runs == 2


def test_the_capstone_stands_as_it_was_left(tmp_path):
    lab = Lab("12", folder=tmp_path, learner="anna")
    panel = lab.panel("session")
    strip = panel.desk.experiment.controls[-1]
    trims = next(each for each in panel.desk.experiment.controls if isinstance(each, Slider | Mixer))
    panel.desk.set(**other(trims))
    cells = lab.exercise("12-6")
    cells.panel.lines[3].value = "−7,2 d"
    panel.desk.bar.chosen = 1
    left, count = panel.desk.setting, panel.places.moved
    kept._at_the_end()
    again = Lab("12", folder=tmp_path, learner="anna")
    there = again.panel("session")
    assert strip and there.desk.setting == left and there.desk.bar.chosen == 1 and there.places.moved == count > 0
    assert again.exercise("12-6").panel.lines[3].value == "−7,2 d"
    assert again.exercise("12-3").panel.controls() == panel.places.values
    there.run.value = there.run.options[1]
    assert there.places.moved == 0, "practice is another session"
    there.run.value = there.run.options[0]
    assert there.desk.setting == left


# ---- the store -------------------------------------------------------------------------------------------------------


@pytest.fixture
def path(tmp_path):
    return path_for(tmp_path, *WHO, "05")


def test_what_moves_within_a_moment_is_one_write_and_comes_within_a_second(path):
    store, began = Kept(path), time.monotonic()
    for k in range(50):
        store.keep("a", k)
        store.keep("b", -k)
    while not path.exists():
        assert time.monotonic() - began < 1.0, "nothing was written within a second"
        time.sleep(0.01)
    assert json.loads(path.read_text())["revision"] == 1
    assert Kept(path).kept("a") == 49 and Kept(path).kept("b") == -49


def test_the_hand_does_not_wait_for_the_disk(path, monkeypatch):
    held, write = threading.Event(), kept.write_whole
    monkeypatch.setattr(kept, "write_whole", lambda *args: held.wait(10) and write(*args))
    store = Kept(path)
    store.keep("a", 0)
    writing = threading.Thread(target=store.flush)
    writing.start()
    time.sleep(0.05)
    began = time.monotonic()
    store.keep("a", 1)
    assert time.monotonic() - began < 0.05 and writing.is_alive()
    held.set()
    writing.join()
    store.flush()
    assert Kept(path).kept("a") == 1


def test_the_newest_of_two_tabs_wins_and_the_other_is_told(path):
    one, two = Kept(path), Kept(path)
    told = []
    one.watch("desk", lambda what: told.append(("one", what, one.kept("desk"))))
    two.watch("desk", lambda what: told.append(("two", what, two.kept("desk"))))
    one.keep("desk", 1)
    one.keep("elsewhere", "mine")
    one.flush()
    two.look()
    assert told == [("two", "newer", None)] and two.kept("elsewhere") == "mine"
    two.keep("desk", 2)
    two.flush()
    one.look()
    assert told[1:] == [("one", "newer", 1)]
    assert Kept(path).kept("desk") == 2 and Kept(path).kept("elsewhere") == "mine"
    assert one.kept("desk") == 1, "nothing is changed under the hand"
    assert one.take("desk") == 2 and one.kept("desk") == 2
    one.look(), two.look()
    assert len(told) == 2, "nobody is told of what stands there already"


def test_a_write_over_a_move_that_was_not_seen_can_still_be_taken_back(path):
    one, two, told = Kept(path), Kept(path), []
    two.watch("desk", told.append)
    one.keep("desk", 1)
    two.keep("desk", 2)
    one.flush()
    two.flush()
    assert told == ["newer"] and Kept(path).kept("desk") == 2
    assert two.take("desk") == 1
    two.flush()
    assert Kept(path).kept("desk") == 1


def test_two_desks_in_two_tabs(tmp_path):
    one, two = (Lab("08", folder=tmp_path, learner="anna").panel("dynamics") for _ in range(2))
    first = next(each for each in one.experiment.controls if isinstance(each, Slider))
    one.set(**other(first))
    kept._at_the_end()
    two._place.store.look()
    assert two.question.layout.display is None and two.bar.layout.display == "none"
    assert two.setting == two.experiment.start
    assert two.question.yes.description == "Take over the other tab"
    two.question.yes.click()
    assert two.setting == one.setting and two.question.layout.display == "none"


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"\x00" * 300, b"[]", b'{"revision": 1}', b'{"revision": 2, "places": {"a": [1, "t"]}}', b"\xff\xfe"],
)
def test_a_damaged_file_is_begun_anew_with_a_line_in_the_log(path, content, caplog):
    path.parent.mkdir()
    path.write_bytes(content)
    with caplog.at_level(logging.WARNING):
        store = Kept(path)
    assert store.kept("a") is None and "begun anew" in caplog.text
    store.keep("a", 1)
    store.flush()
    assert Kept(path).kept("a") == 1


def test_a_value_that_fits_no_more_leaves_the_control_at_its_start(tmp_path, caplog):
    lab = Lab("08", folder=tmp_path, learner="anna")
    desk = lab.panel("dynamics")
    stands = as_json(desk.experiment, desk.setting)
    first = next(each for each in desk.experiment.controls if isinstance(each, Slider))
    lab.learner.kept.keep("panel dynamics", {"setting": stands | {first.name: 1e9}, "tab": "a tab that went"})
    with caplog.at_level(logging.WARNING):
        assert lab.panel("dynamics").setting == desk.experiment.start
    assert f"{first.label} is back at its start" in caplog.text


def test_where_nothing_can_be_written_a_sentence_is_said_once_and_all_goes_on(tmp_path):
    (tmp_path / "kept").write_text("a file where a folder should be")
    lab = Lab("08", folder=tmp_path, learner="anna")
    desk = lab.panel("dynamics")
    first = next(each for each in desk.experiment.controls if isinstance(each, Slider))
    desk.set(**other(first))
    lab.learner.kept.flush()
    assert "cannot be written" in desk.notice.message and "what you move is not kept" in desk.notice.message
    assert lab.panel("dynamics").setting == desk.setting, "it stays in memory"
    assert lab.answer("08-1", "1") is not None


def test_a_file_does_not_grow_for_ever_and_tells_no_name(path):
    store = Kept(path)
    for k in range(kept.MOST_PLACES + 50):
        store.keep(f"05-1 {k} entry", k)
        if k % 40 == 0:
            store.flush()
    store.keep("far too long", "x" * (kept.LONGEST + 1))
    store.flush()
    again = Kept(path)
    assert again.kept("05-1 0 entry") is None and again.kept(f"05-1 {kept.MOST_PLACES + 49} entry") is not None
    told = json.loads(path.read_text())
    assert len(told["places"]) == kept.MOST_PLACES
    del told["writer"]  # drawn by chance, and may hold any two signs
    assert "anna" not in str(path.relative_to(path.parents[1])) and not re.search("anna|7b", json.dumps(told))


def test_what_is_erased_is_gone_with_all_that_is_kept(tmp_path):
    from gainlib.notebook.records import ProgressSheet

    lab = Lab("08", folder=tmp_path, learner="anna", class_code="7b")
    lab.learner.kept.keep("panel dynamics", {"setting": {}})
    lab.learner.kept.flush()
    other_one = path_for(tmp_path, "ben", "7b", "08")
    other_one.write_text("{}")
    assert len(list((tmp_path / "kept").glob("08-*.json"))) == 2
    ProgressSheet(tmp_path).erase()
    assert list((tmp_path / "kept").iterdir()) == [other_one]


# ---- the record ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("cut", [2, 40])
def test_a_half_last_line_is_left_out_with_a_sentence_and_what_follows_counts(tmp_path, cut):
    lab = Lab("05", folder=tmp_path, learner="anna")
    lab.answer("05-1", lab.learner.exercise("05-1").solve(lab.given("05-1")))
    points = lab.score().points
    lab.answer("05-2", "1")
    path = lab.learner.record.path
    path.write_bytes(path.read_bytes()[:-cut])
    again = Lab("05", folder=tmp_path, learner="anna")
    assert "Line 3 of the record, the last one, was not written to its end" in again.title()._said.text
    assert again.score().points == points > 0 and again.learner.last_answer(again.learner.exercise("05-2")) is None
    again.answer("05-2", "1")
    once_more = Lab("05", folder=tmp_path, learner="anna")
    assert once_more.title()._said.text == "" and once_more.learner.last_answer(again.learner.exercise("05-2")) == "1"


# ---- killed ----------------------------------------------------------------------------------------------------------

MOVES = """
import sys, time
from pathlib import Path
from gainlib.notebook.kept import Kept
store, k = Kept(Path(sys.argv[1])), 0
print("begun", flush=True)
while True:
    store.keep("desk", {"at": time.time(), "more": ["x" * 200] * 20})
    k += 1
    time.sleep(0.1)
"""


@pytest.mark.parametrize("rounds", [1, rest(19)])
def test_whoever_is_killed_at_any_moment_loses_at_most_the_last_second(tmp_path, rounds):
    rng = np.random.Generator(np.random.PCG64(rounds))
    for number in range(rounds):
        paths = [path_for(tmp_path, f"{number} {k}", "", "05") for k in range(10)]
        paths[0].parent.mkdir(exist_ok=True)
        workers = [subprocess.Popen([sys.executable, "-c", MOVES, path], stdout=subprocess.PIPE) for path in paths]
        begun = []
        for worker in workers:
            assert worker.stdout.readline() == b"begun\n"
            begun.append(time.time())
        for worker, path, began in zip(workers, paths, begun, strict=True):
            time.sleep(rng.uniform(0.0, 0.4))
            worker.send_signal(signal.SIGKILL)
            killed = time.time()
            worker.communicate()
            found = Kept(path).kept("desk")
            if path.exists():
                assert json.loads(path.read_text(encoding="utf-8"))["places"]["desk"][2] == found
            if killed - began > 1.0:
                assert killed - found["at"] < 1.0, "more than a second is lost"
