"""Lab 05's desk without a page: what follows the hand, what is worked out when it lets go, against rendered mixes."""

import time

import numpy as np
import pytest

from gainlib.demo import demo_session
from gainlib.exercises import exercise, mark
from gainlib.labs import lab05
from gainlib.notebook.panels import lab_module
from gainlib.words import number_text

DRAG_S = 0.060


@pytest.fixture(scope="module")
def desk():
    return lab_module("05").panel("bus", None)


def peak_text(session):
    """Return the sample peak of a session's bus as the page writes it, from the rendered samples alone."""
    return f"sample peak {number_text(20 * np.log10(np.abs(session.render().bus.samples).max()), 1, True)} dBFS"


def words(desk, tab=0):
    return desk.pictures[tab].widget.sentence


def test_meters_follow_faders_mutes_and_master_as_rendered(desk):
    desk.reset()
    song = demo_session(1, True, "unity")
    assert peak_text(song) in words(desk)
    desk.set(faders_db={**desk.setting.faders_db, "05 bass": -12.0, "master": -1.5}, mute=("01 kick",))
    moved = song.with_faders({"05 bass": -12.0}).with_("bus", fader_db=-1.5).with_("01 kick", mute=True)
    assert peak_text(moved) in words(desk)
    over = int(np.count_nonzero(np.abs(moved.render().bus.samples) > 1))
    assert f"**{over:,} samples** leave the bus above full scale" in desk.later.text
    desk.set(solo=("02 snare",), mute=())
    alone = moved.with_("01 kick", mute=False).with_("02 snare", solo=True)
    assert peak_text(alone) in words(desk)
    before = desk.setting
    desk.undo()
    desk.undo()
    assert desk.setting == desk.experiment.start and before != desk.setting


def test_a_fixed_bus_is_read_ahead_of_its_cut_while_the_hand_moves_and_behind_it_at_rest(desk):
    desk.reset()
    desk.set(bus="fixed", faders_db={**desk.setting.faders_db, "master": -10.0})
    fixed = demo_session(1, True, "unity").with_(bus="fixed").with_("bus", fader_db=-10.0)
    assert peak_text(fixed) in words(desk) and "(behind the cut)" in words(desk)
    assert "10 of the 10 worst peaks are cut off at full scale" in words(desk)
    assert "The fixed-point bus has clipped" in desk.later.text
    values = list(desk.mixers["faders_db"].values_db)
    desk.mixers["faders_db"].values_db = [-1.0, *values[1:]]
    desk.pictures[0].settle()
    assert "the sum ahead of the cut" in words(desk)
    desk.reset()


def test_the_whole_mix_the_table_and_the_sound_come_when_the_hand_lets_go(desk):
    desk.reset()
    assert desk.player.names == ["as found", "as you set it"]
    desk.player.measure()
    (start, stop), heard = desk.player._part, desk.player.gains.loudest_lufs
    assert (stop - start) / 48000 == pytest.approx(10.0, abs=0.01), "the refrain"
    values = {name: -12.1 if name != "master" else 0.0 for name in desk.setting.faders_db}
    desk.set(faders_db=values)
    assert desk.later.text == "No sample leaves the bus above full scale."
    desk.player.measure()
    assert desk.player.gains.loudest_lufs == heard, "the mix as found is the louder one still"
    assert -14 < desk.player.mixes[0]["match_db"] < -9, "about as much as all faders were pulled down, less the cut"
    assert {tie["field"] for tie in desk.player.ties} == {"fader_db", "mute", "solo"}
    desk.bar.chosen = 1
    assert "no sample is over full scale" in words(desk, 1) and "most often between" in words(desk, 1)
    desk.bar.chosen = 2
    rows = desk._views[2].view.table.table["rows"]
    muted = desk.run.session.with_("05 bass", mute=True).render().bus.samples
    assert [row[1] for row in rows if row[0] == "without 05 bass"] == [
        number_text(20 * np.log10(np.abs(muted).max()), 1, True)
    ]
    desk.bar.chosen = 0


def test_another_take_starts_anew_and_undo_brings_the_first_one_back(desk):
    desk.reset()
    desk.set(mute=("01 kick",))
    desk.press("take")
    assert peak_text(demo_session(1, "drawn", "unity")) in words(desk) and desk.setting.mute == ()
    desk.undo()
    assert desk.setting.take == 1 and desk.setting.mute == ("01 kick",)
    assert peak_text(demo_session(1, True, "unity").with_("01 kick", mute=True)) in words(desk)


@pytest.mark.timed
def test_a_move_is_drawn_in_time(desk):
    desk.reset()
    faders, took = desk.mixers["faders_db"], []
    for step in range(1, 9):
        begun = time.thread_time()
        faders.values_db = [-step / 10, *faders.values_db[1:]]
        took.append(time.thread_time() - begun)
    assert min(took) < DRAG_S, took


def linked(faders, step_db):
    """Move linked faders as the page does."""
    moved = {name: value + step_db for name, value in faders.as_dict().items() if name not in faders.apart}
    faders.set_values(moved)


def test_all_faders_are_answered_from_the_desk():
    asked = exercise("05-5")
    given = asked.variant("anna")
    desk = lab_module("05").exercise_panel(asked, given, None)
    assert desk.controls() is None and desk.settings is None and desk.player is None
    faders = desk.mixers["faders_db"]
    faders.locked = True
    assert faders.apart == ["master"], "the master is not linked"
    linked(faders, lab05.offset_db(given))
    assert mark(asked, given, desk.controls()).state == "right"
    rows = {row[0]: row[1] for row in desk.numbers.table["rows"]}
    assert rows["samples cut off"] == "0 samples" and rows["balance"] == "0.00 dB"
    desk.set_controls({"master": {"fader_db": -6.0}})
    assert mark(asked, given, desk.controls()).state in ("right", "wrong") and desk.setting.faders_db["master"] == -6.0
    desk.set_controls("junk")
    desk.reset()
    assert desk.controls() is None


def test_the_loud_source_is_looked_for_on_a_desk_with_mutes():
    asked = exercise("05-4")
    given = asked.variant("anna")
    desk = lab_module("05").exercise_panel(asked, given, None)
    assert not hasattr(desk, "controls") and "master" not in desk.setting.faders_db
    stem, attenuation = asked.solve(given)
    assert "above full scale" in desk.later.text
    assert "contributes" not in words(desk), "the picture names nobody"
    assert not any(label.get_text() for label in desk._views[0]._pairs[2][1]._labels)
    desk.set(mute=(stem,))
    assert desk.later.text == "No sample leaves the bus above full scale."
    desk.set(mute=(), faders_db={**desk.setting.faders_db, stem: -attenuation})
    reading = desk.run.seen.sample_peak_dbfs
    assert reading <= -1.0 + 1e-3 and reading > -1.2
    assert desk.numbers.table["rows"][0][1] == f"{reading:.2f} dBFS".replace("-", "−")


def test_a_fader_is_put_back_and_all_are_moved():
    asked = exercise("05-3")
    given = asked.variant("anna")
    desk = lab_module("05").exercise_panel(asked, given, None)
    stem = next(name for name in desk.setting.faders_db if name[3:] == given["track"])
    desk.set(faders_db={**desk.setting.faders_db, stem: desk.setting.faders_db[stem] + given["y"]})
    rows = {row[0]: row[1] for row in desk.numbers.table["rows"]}
    assert rows["balance"] == "0.00 dB"
    reading = float(rows["bus"].removesuffix(" dBTP").replace("−", "-"))
    faders = desk.mixers["faders_db"]
    faders.locked = True
    linked(faders, given["t"] - reading)
    assert mark(asked, given, desk.controls()).state == "right"


def test_what_leaves_a_set_up_is_compared_with_the_mix_that_was_meant():
    asked = exercise("05-6")
    given = asked.variant("anna")
    desk = lab_module("05").exercise_panel(asked, given, None)
    for name in given["set_ups"]:
        desk.set(set_up=name, master_db=-14.0)
        assert ("under −120 dB" in desk.said.text) is (name in asked.solve(given)), name


def test_the_prediction_is_compared_with_the_song():
    outcome, sentence, table = lab_module("05").compare()
    assert outcome == lab05.NONE and "Muting none of them makes it fit." in sentence
    assert len(table.rows) == 12 and table.rows[0][0] == "whole bus"
