"""The desk on experiments made for the purpose: what moves along, what is found later, what a button counts."""

import math

import numpy as np
import pytest

from gainlib.audio import Audio
from gainlib.exercises.experiment import (
    Again,
    Experiment,
    Later,
    Listen,
    Mixer,
    Picture,
    Plot,
    Sheet,
    Slider,
    Text,
    Trims,
)
from gainlib.exercises.practical import Measured
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.notebook.desk import Desk, TaskDesk
from gainlib.session import FaderLaw
from gainlib.words import Table

NAMES = ("kick", "bass", "master")


def bars(run):
    return list(run.setting.faders_db.values()), [""] * 3


def sound(run):
    return run.found and {"it": Audio(np.full((4800, 1), 10.0 ** (run.found / 20)), 48000)}


def experiment(**more):
    """Return three faders with a column of trims, a button, and a number that is worked out later."""
    parts = {
        "controls": (
            Again("take", "Another take", fresh=True),
            Mixer(NAMES, (0.0, -3.0, -6.0), look="fill", apart=("master",)),
            Trims(NAMES[:2], (0.0, 0.0)),
        ),
        "pictures": (
            Picture("Bars", ("A",), {"A": Plot("meters", bars, {"names": NAMES})}),
            Sheet("Later", lambda run: run.found and Table("Found", ("sum",), ((f"{run.found:.1f}",),))),
        ),
        "later": Later(lambda run, _: sum(run.setting.faders_db.values()), lambda _, found: f"{found:.1f}"),
        "listen": Listen(sound, later=True),
    }
    return Experiment(**parts | more)


def test_what_is_found_later_feeds_a_second_tab_and_the_player():
    desk = Desk(experiment())
    assert desk.later.text == "-9.0" and desk._views[1].table.table["rows"] == []
    first = desk.player
    desk.bar.chosen = 1
    assert desk._views[1].table.table["rows"] == [["-9.0"]], "a tab behind waits until it is turned to"
    desk.mixers["faders_db"].set_values({"bass": -13.0})
    assert desk._views[1].table.table["rows"] == [["-19.0"]]
    assert desk.player is first and first._sources["it"].samples[0, 0] == pytest.approx(10 ** (-19 / 20))


def test_a_button_counts_sets_all_else_back_and_is_undone():
    desk = Desk(experiment())
    desk.mixers["faders_db"].set_values({"kick": -7.0})
    moved = desk.setting
    desk._asked({"do": "take"})
    assert desk.setting == desk.experiment.start.with_(take=2)
    desk.mixers["post_trims_db"].set_values([1.0, 2.0])
    desk.reset()
    assert desk.setting == desk.experiment.start.with_(take=2), "back to start is no other take"
    for _ in range(3):
        desk.undo()
    assert desk.setting == moved


def test_linked_faders_leave_the_master_alone():
    faders = Desk(experiment()).mixers["faders_db"]
    assert faders.apart == ["master"]
    assert [look["color"] for look in faders.looks] == ["#0072B2", "#E69F00", "#009E73"]


def kept(rested, setting, moved):
    """Return the setting with the sum of fader and gain as it was when the hand let go."""
    total = rested.fader_db["fader"] + rested.gain_db
    if moved == "fader_db":
        return setting.with_(gain_db=float(np.clip(total - setting.fader_db["fader"], -24, 24)))
    return setting.with_(fader_db={"fader": total - setting.gain_db})


def test_what_is_linked_moves_along_and_back_from_its_end():
    controls = (Mixer(("fader",), (-20.0,), "fader_db", options=(), scale="mm"), Slider("gain_db", "Gain", -24, 24))
    desk = Desk(Experiment(controls, (), link=kept))
    fader = desk.mixers["fader_db"]
    fader.values_db = [0.0]
    assert desk.setting.gain_db == -20.0
    fader.values_db = [9.0]
    assert desk.setting.gain_db == -24.0
    fader.values_db = [-5.0]
    assert desk.setting.gain_db == -15.0, "the sum is that of the last rest, an end in between is no loss"
    fader.released += 1
    desk.settings.set(gain_db=-10.0)
    assert desk.setting.fader_db == {"fader": -10.0}
    desk.undo()
    desk.undo()
    assert desk.setting == desk.experiment.start


def test_a_travel_follows_its_law_and_typed_lines_are_part_of_the_setting():
    controls = (
        Slider("k", "Exponent", 2, 6, start=4.0),
        Mixer(("fader",), (9.9,), "fader_db", options=(), law=lambda setting: FaderLaw(exponent=setting.k)),
        Text("points", "Points", "0 −∞"),
    )
    desk = Desk(Experiment(controls, ()))
    desk.set(k=2.0)
    assert desk.setting.fader_db["fader"] == pytest.approx(40 * math.log10(100 / 75))
    desk.texts["points"].value = "10 −40"
    assert desk.setting.points == "10 −40"
    desk.undo()
    assert desk.setting.points == "0 −∞" and desk.setting.k == 2.0


def test_faders_and_trims_are_an_answer_and_a_check_may_name_what_it_measured():
    def found(_given):
        return experiment(later=None, listen=None)

    def loudest(run):
        level, name = max((level, name) for name, level in run.setting.faders_db.items())
        return Measured(level, f"fader of {name}")

    def places(given):
        return {"faders_db": (None, "fader_db"), "post_trims_db": (None, given["field"])}

    task = SetAndMeasure(found, places, (Aim("highest fader", loudest, -5.0, 0.5), Aim("none", lambda run: 0, 0.0)))
    given = {"field": "post_trim_db"}
    desk = TaskDesk(task, given)
    assert desk.controls() is None
    answer = {"kick": {"fader_db": -5.0, "post_trim_db": 1.0}, "bass": {"fader_db": "-inf", "post_trim_db": 0.0}}
    desk.set_controls(answer)
    assert desk.controls() == {**answer, "master": {"fader_db": -6.0}}
    assert desk.numbers.table["rows"][0] == ["highest fader", "−5.00 dB", "−5 dB ± 0.5"]
    verdict = task.part().judge(task.part().read({"bass": {"fader_db": 2.0}}, given), None, given, [])
    assert verdict.feedback == "Fader of bass: 2.0 dB is 6.5 dB too high; aim for −5.5 to −4.5 dB"
    assert not any(task.missed(task.solve(given), given))


def test_a_task_without_places_is_about_all_its_sliders_and_tries_switches():
    """Far off in hertz counts as far off; a mistake is recognised by what it meets and what it misses."""

    def found(_given):
        return Experiment(
            (Slider("turn", "Polarity", steps=(-1.0, 1.0), start=-1.0), Slider("hz", "Pitch", 20, 2000, 1, 1500)), ()
        )

    aims = (
        Aim("pitch", lambda run: run.setting.turn * run.setting.hz, 440.0, 1.0),
        Aim("up", lambda run: run.setting.turn, 1.0),
    )
    task = SetAndMeasure(found, None, aims)
    assert task.answer(found({}).start, {}) == {"desk": {"turn": -1.0, "hz": 1500.0}}
    assert mark_of(task, task.solve({})) == 1.0
    assert task.moved({}, hz=440.004) == {"desk": {"turn": -1.0, "hz": 440.0}}
    assert task.spots(False, False)(task.moved({}, hz=440), {}) and task.spots(None, True)({"desk": {"turn": 1.0}}, {})
    assert not task.spots(True, None)({"desk": {"turn": 1.0}}, {})


def mark_of(task, answer):
    """Return the share of the points."""
    return task.part().judge(answer, None, {}, []).share
