"""Nothing that was moved is lost: what stands on a desk stands there again, whatever has happened in between."""

import json
import logging
import math
import signal
import subprocess
import sys
import threading
import time

import numpy as np
import pytest
from daily import rest

from gainlib.exercises import bank
from gainlib.exercises.bank import declared, lab_numbers
from gainlib.exercises.experiment import Again, Choice, Mixer, Slider, Text, Trims
from gainlib.notebook import Lab, kept
from gainlib.notebook.desk import Desk
from gainlib.notebook.kept import Kept, path_for
from gainlib.notebook.standing import as_json, setting_of

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


@pytest.mark.parametrize(("number", "name"), DESKS)
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
    assert two.question.yes.description == "Take over what stands there"
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
    assert f"{first.label} stands at its start again" in caplog.text


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
    assert len(json.loads(path.read_text())["places"]) == kept.MOST_PLACES
    assert "anna" not in str(path.relative_to(path.parents[1])) and "7b" not in path.read_text()


def test_what_is_erased_is_gone_with_all_that_is_kept(tmp_path):
    from gainlib.notebook.progress import ProgressSheet

    lab = Lab("08", folder=tmp_path, learner="anna", class_code="7b")
    lab.learner.kept.keep("panel dynamics", {"setting": {}})
    lab.learner.kept.flush()
    other_one = path_for(tmp_path, "ben", "7b", "08")
    other_one.write_text("{}")
    assert len(list((tmp_path / "kept").glob("08-*.json"))) == 2
    ProgressSheet(tmp_path).erase()
    assert list((tmp_path / "kept").iterdir()) == [other_one]


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
