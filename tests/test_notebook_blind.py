"""Blind runs, level matching, the field for both, the slider and lab 00's desk, without a page."""

import numpy as np
import pytest

from gainlib.audio import Audio, GainlibError
from gainlib.exercises import clips, exercise, mark
from gainlib.labs import lab00
from gainlib.notebook import Lab
from gainlib.notebook.fields import BY_READINGS, field_for
from gainlib.notebook.panels import lab_module
from gainlib.notebook.panels.blind import REACH_DB, AbxPanel, BlindRun, Listening, MatchRun
from gainlib.notebook.panels.listening import left_table, sides_table, sources

SHARP = exercise("00-3")
BLIND = exercise("00-4")


@pytest.fixture
def lab(tmp_path):
    return Lab("00", folder=tmp_path, learner="anna", class_code="7b")


def pair(apart_db=3.0):
    return clips.clip("bass"), clips.louder(clips.clip("bass"), -apart_db)


def fields_of(lab, each):
    given = lab.given(each.id)
    panel = lab_module("00").exercise_panel(each, given, lab.learner)
    return given, [field_for(part, given, panel) for part in each.parts], panel


# ---- a run -----------------------------------------------------------------------------------------------------------


def test_x_is_what_the_order_says_and_new_in_every_trial():
    a, b = pair()
    run = BlindRun(lambda: (a, b), "ABBA", match=False)
    for k, name in enumerate("ABBA"):
        x = run.player._sources["X"]
        np.testing.assert_array_equal(x.samples, {"A": a, "B": b}[name].samples)
        assert x is not a and x is not b
        stamp = run.player.stamps[2]
        run.player.which = 2
        run.take("A")
        if k < 3:
            assert run.player.stamps[2] > stamp, "an X that stays the same is fetched like any other"
            assert run.player.which == 0, "the change of X must not be heard"
    assert run.complete and (run.run.right, run.run.trials) == (2, 4)
    run.take("B")
    assert run.entries() == ["A"] * 4


def test_the_screen_gives_no_trial_away():
    a, b = pair()
    run = BlindRun(lambda: (a, b), "ABAB", match=False)
    shown = []
    for _ in range(4):
        shown.append((run.player.statement(), run.player.match_text, dict(run.player.levels), run.player.volume_db))
        run.take("B")
    assert all(each == shown[0] for each in shown)
    assert "right" not in run.said.text


def test_a_run_that_was_marked_shows_its_score_and_stays():
    run = BlindRun(pair, "AABB", runs=2, match=False)
    run.show(["A", "A"])
    assert run.entries() is None
    run.show(["A", "A", "B", "A"])
    assert "3 of 4 right" in run.said.text and "run 2" in run.said.text and "New numbers" in run.said.text
    assert "shown no audible difference" in run.said.text
    run.take("B")
    assert run.entries() == ["A", "A", "B", "A"]


def test_an_order_of_anything_else_is_refused():
    with pytest.raises(GainlibError, match="an A or a B"):
        BlindRun(pair, "AXB")


# ---- many runs -------------------------------------------------------------------------------------------------------


def always(panel, order_name):
    """Pick the truth, or its opposite, to the end of the run."""
    while not panel.blind.complete:
        truth = panel.blind._order[len(panel.blind.made)]
        panel.blind.take(truth if order_name == "right" else "AB".replace(truth, ""))


def test_runs_of_one_comparison_count_together():
    panel = AbxPanel(lambda setting: ("bass, 3 dB", *pair()), match=False)
    panel.begin()
    always(panel, "right")
    assert "shown a difference" in panel.said.text and "p = 0.001" in panel.said.text
    assert panel.live.widget.sentence.startswith("Guessing gets 10 or more of 10 right in 0.1 % of runs")
    panel.begin()
    panel.blind.take("A")
    panel.begin()  # given up, and counts
    always(panel, "right")
    assert panel.history[-1][1].runs == 3 and "3 × p" in panel.said.text
    rows = panel._list.table["rows"]
    assert [row[2] for row in rows] == ["10 of 10", "given up", "10 of 10"] and [row[0] for row in rows] == [
        "3",
        "2",
        "1",
    ]


def test_a_sham_run_is_luck_whatever_it_scores():
    panel = AbxPanel(lambda setting: ("bass, 3 dB", *pair()), match=False)
    panel.controls.set(sham=True)
    panel.begin()
    np.testing.assert_array_equal(panel.blind.player._sources["A"].samples, panel.blind.player._sources["B"].samples)
    always(panel, "right")
    assert "any count is luck" in panel.said.text and panel._list.table["rows"][0][-1] == "none to show"
    assert panel._read_out.table["rows"][2][1] == "silent"


def test_the_length_is_fixed_when_the_run_starts():
    panel = AbxPanel(lambda setting: ("bass", *pair()), match=False)
    panel.begin()
    panel.controls.set(trials=24)
    panel.blind.rest_by_chance()
    assert panel.history[0][1].trials == 10
    panel.begin()
    panel.blind.rest_by_chance()
    assert panel.history[1][1].trials == 24


def test_matched_sounds_are_read_as_they_are_played():
    """B 6.02 dB lower and otherwise the same: matched, nothing is left."""
    panel = AbxPanel(lambda setting: ("copy", *pair(6.0206)))
    panel.begin()
    rows = dict(panel._read_out.table["rows"])
    assert rows["loudness of A"] == rows["loudness of B"]
    left = rows["what is left of A when you subtract B"]
    assert left == "silent" or float(left.removesuffix(" dB").replace("−", "-")) < -55
    assert "within 0.1 LU" in panel.blind.player.match_text and "by" not in panel.blind.player.match_text


# ---- level matching --------------------------------------------------------------------------------------------------


def test_turning_b_is_heard_at_once_and_taken_with_the_next(lab):
    given = lab.given("00-3")
    run = MatchRun(lab00.match_sounds(given), given["clips"])
    for setting in lab00.matched_db(given):
        run.controls.set(turn_db=setting)
        assert run.player.trims_db == [0.0, setting]
        run.next.click()
        assert run.complete or (run.controls.values == {"turn_db": 0.0} and run.player.which == 0)
    assert run.entries() == lab00.matched_db(given)
    assert mark(SHARP, given, run.entries()).state == "right"
    run.back.click()
    assert run.entries() == lab00.matched_db(given)[:-1]
    assert run.controls.values["turn_db"] == lab00.matched_db(given)[-1]


def test_the_screen_does_not_tell_which_is_louder():
    """Whatever the difference, the same sounds in the same order make the same lines under the player."""
    seen = []
    for offsets in ([6.0, -6.0, 1.5, -1.5, 3.0], [-2.0, 4.0, -5.0, 2.5, -6.0]):
        given = {"clips": list(clips.CLIPS), "offsets_db": offsets}
        run = MatchRun(lab00.match_sounds(given), given["clips"])
        lines = []
        for _ in clips.CLIPS:
            lines.append((run.player.statement(), run.player.match_text, run.player.volume_db))
            run.controls.set(turn_db=3.0)
            run.next.click()
        seen.append(lines)
    assert seen[0] == seen[1]


def test_b_can_be_turned_far_enough_and_not_too_loud():
    assert max(abs(each) for each in lab00.OFFSETS_DB) < REACH_DB
    run = MatchRun(lab00.match_sounds({"clips": list(clips.CLIPS), "offsets_db": [6.0] * 5}), clips.CLIPS)
    run.player.volume_db = 99
    loudest = max(run.player._heard[name].true_peak_dbtp for name in "AB") + REACH_DB + run.player.volume_db
    assert loudest <= -6


# ---- the field -------------------------------------------------------------------------------------------------------


def test_by_ear_and_from_readings_give_the_same_points(lab):
    for each in (SHARP, BLIND):
        given, fields, _ = fields_of(lab, each)
        assert all(field.value() is None for field in fields)
        key = each.values(each.solve(given))
        for field, entry in zip(fields, key, strict=True):
            field.show(entry)
        assert mark(each, given, each.answer([field.value() for field in fields])).points == each.points
        for part, field in zip(each.parts, fields, strict=True):
            if part.kind == "listening":
                field.way.value = BY_READINGS
                assert field.value() is None
                field.show({"silent": part.silent.solve(given)})
        answer = each.answer([field.value() for field in fields])
        assert mark(each, given, answer).points == each.points, answer


def test_what_is_read_leads_to_the_answer(lab):
    """A learner who only reads the tables gets it right."""
    given, _, panel = fields_of(lab, SHARP)
    rows = panel.run(SHARP.parts[0]).readings.table["rows"]
    levels = [[float(cell.removesuffix(" LUFS").replace("−", "-")) for cell in row[1:3]] for row in rows]
    assert mark(SHARP, given, {"silent": [a - b for a, b in levels]}).state == "right"
    given, _, panel = fields_of(lab, BLIND)
    real, sham = (panel.run(part).readings.table["rows"] for part in BLIND.parts[:2])
    ticked = [str(k) for k, row in enumerate(real, start=1) if row[1] != "silent"]
    assert {row[1] for row in sham} == {"silent"}
    assert mark(BLIND, given, [{"silent": ticked}, {"silent": "nothing"}, "luck"]).state == "right"


def test_an_unfinished_run_costs_nothing(lab):
    given, fields, _ = fields_of(lab, BLIND)
    fields[0]._run.take("A")
    verdict = mark(BLIND, given, [field.value() for field in fields])
    assert verdict.state == "invalid" and "Complete all 10 trials; you have done 1" in verdict.feedback


def test_the_second_run_opens_by_its_button_and_the_player_goes_behind_the_last_trial(lab):
    given, fields, _ = fields_of(lab, BLIND)
    first, second = (field._run for field in fields[:2])

    def on_the_page(run):
        return [run._opener.layout.display != "none", bool(run._stage.children), run._row.layout.display != "none"]

    assert (on_the_page(first)[1:], on_the_page(second)) == ([True, True], [True, False, False])
    second._opener.click()
    assert on_the_page(second) == [False, True, True]
    for name in given["real"]:
        first.take(name)
    assert on_the_page(first)[1:] == [False, True] and first._buttons.layout.display == "none"


def test_a_form_puts_the_run_back_after_an_answer(lab):
    form = lab.exercise("00-4")
    given = lab.given("00-4")
    for name in given["real"]:
        form.fields[0]._run.take(name)
    form.submit()
    assert "10 of 10 right" in form.said.text and "no answer yet" in form.said.text
    assert lab.score().points == 2
    assert form.fields[0]._run.entries() == list(given["real"])
    again = lab.exercise("00-4")
    assert "10 of 10 right" in again.fields[0]._run.said.text
    again.fields[1].way.value = BY_READINGS
    again.fields[1].silent.show("nothing")
    again.fields[2].show("luck")
    again.submit()
    assert lab.score().points == 4


def test_a_part_without_its_test_is_named():
    with pytest.raises(GainlibError, match="needs a panel that has the tests"):
        field_for(BLIND.parts[0], BLIND.sample)
    with pytest.raises(GainlibError, match="no listening test is called 'Run 1"):
        Listening({}).run(BLIND.parts[0])


# ---- exposure, loudspeakers ---------------------------------------------------------------------------------


def test_the_point_says_what_the_limits_say():
    """NIOSH 98-126: 94 dBA for an hour is a whole day's limit. H.870: 80 dBA for 40 hours is a week's allowance."""
    desk = lab_module("00").panel("exposure", None)
    desk.set(level_dba=94.0, hours=1.0)
    assert desk.pictures[0].widget.sentence.startswith("1 h a day at 94 dBA: 100 % of a day’s limit")
    assert desk.said.text.startswith("1 h a day at 94 dBA use **100 %** of a day’s limit")
    desk.set(level_dba=80.0, hours=8.0, days=5.0)
    rows = {row[0]: row[1:] for row in desk.numbers.table["rows"]}
    assert rows["a week’s allowance (40 hours at 80 dBA)"] == ["8 h", "100 %"]
    desk.undo()
    assert desk.setting.level_dba == 94
    desk.reset()
    assert dict(desk.setting) == {"level_dba": 85, "hours": 2, "days": 5}


def test_out_of_polarity_adds_up_to_nothing():
    left_right = sources()
    assert np.abs(left_right["out of polarity"].samples.sum(axis=1)).max() == 0
    assert np.abs(left_right["left"].samples[:, 1]).max() == np.abs(left_right["right"].samples[:, 0]).max() == 0
    rows = {row[0]: row[2:] for row in sides_table().rows}
    assert rows["out of polarity"] == ("−20.0", "−20.0", "silent") and rows["both"] == ("−20.0", "−20.0", "−20.0")


def test_the_panels_of_the_lab_are_known_by_name():
    module = lab_module("00")
    assert isinstance(module.panel("blind", None), AbxPanel) and module.panel("speakers", None).player
    with pytest.raises(GainlibError, match="it has 'speakers', 'blind', 'exposure'"):
        module.panel("meters", None)


def test_the_comparison_is_what_many_guessers_get():
    outcome, sentence, found = lab00.compare()
    assert outcome == "one run in 6" and "shows nothing" in sentence
    by_formula = dict(row[:2] for row in found.rows)
    assert by_formula["7 or more"] == "17 %"


def test_null_readings_are_of_the_order():
    given = BLIND.variant("ben")
    column = [row[1] for row in left_table(lab00.abx_residuals_db(given, "real")).rows]
    assert [cell == "silent" for cell in column] == [name == "A" for name in given["real"]]
    assert lab00.TRIALS == len(column)
    assert isinstance(lab00.abx_sounds(given)[0], Audio)
