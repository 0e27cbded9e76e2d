"""The desk of black boxes: it follows the hand, undoes, says what it shows, and is told from its picture."""

from types import SimpleNamespace

import numpy as np
import pytest

from gainlib.exercises import exercise
from gainlib.exercises.box_tests import box_tester
from gainlib.exercises.variants import seed_for
from gainlib.labs import lab06
from gainlib.notebook.desk import Desk
from gainlib.notebook.figures import Residuals, make_figure
from gainlib.notebook.panels import lab_module
from gainlib.processors import HardClip, Tremolo


@pytest.fixture
def desk():
    return Desk(box_tester({"A": HardClip(-6.0), "B": Tremolo(5.3, 0.5)}, "Two boxes"))


def test_the_picture_follows_box_and_drive(desk):
    picture = desk.pictures[0].widget
    assert "halving the input leaves under −120 dB" in picture.sentence
    before = picture.moving
    desk.set(drive_dbfs=12.0)
    assert picture.moving != before
    assert "gives" in picture.sentence and "halving the input leaves −" in picture.sentence
    desk.set(box="B")
    assert "repeating it leaves −1" in picture.sentence and "With silence in, it gives silence" in desk.said.text
    desk.undo()
    desk.undo()
    assert desk.setting.box == "A" and picture.moving == before


def test_what_is_read_stands_beside_the_picture(desk):
    """A sine of 12 dBFS through a clipper at −6 is nearly a square wave of that height: 20·lg(4/π) over it, at most."""
    desk.set(drive_dbfs=12.0)
    rows = dict(desk.numbers.table["rows"])
    out = float(rows["level out"].removesuffix(" dBFS").replace("−", "-").replace("+", ""))
    assert -6.0 + 20 * np.log10(4 / np.pi) < out < -6.0 + 20 * np.log10(np.sqrt(2))
    assert rows["gain, fed softest"] == "0.0 dB" and rows["repeating it leaves"] == "under −120 dB"


def test_the_drive_goes_home_to_18_dbfs(desk):
    row = next(row for row in desk.settings.rows if row["label"] == "Sine in")
    assert (row["home"], row["step"], row["page"]) == (-18.0, 1.0, 6.0)


def task_desk(number):
    asked = exercise(number)
    given = asked.variant("anna")
    return asked, given, lab_module("06").exercise_panel(asked, given, None)


def test_exercises_have_their_boxes():
    for number, boxes in (("06-1", 6), ("06-3", 1)):
        shown = task_desk(number)[2]
        assert len(shown.settings.rows) == (2 if boxes > 1 else 1)
        assert boxes == 1 or len(shown.settings.rows[0]["options"]) == boxes


def test_the_residual_is_read_once_both_gains_are_undone():
    asked, given, desk = task_desk("06-2")
    answer = f"{asked.solve(given):.1f}".replace("-", "−")
    assert not any(answer in cell for row in desk.numbers.table["rows"] for cell in row)
    desk.set(a_db=-float(given["a"]), b_db=-float(given["b"]))
    soft, _, difference = (float(row[1].removesuffix(" dBFS").replace("−", "-")) for row in desk.numbers.table["rows"])
    assert difference - soft == pytest.approx(asked.solve(given), abs=0.02)


def test_the_noise_is_read_once_the_offset_is_gone():
    asked, given, desk = task_desk("06-4")
    answer = f"{asked.solve(given):.1f}".replace("-", "−")
    assert answer not in desk.said.text
    desk.set(meter="referred", added=-float(lab06.out_of_silence(given).mean()))
    assert answer in desk.said.text


class Pupil(SimpleNamespace):
    """Somebody whose moves are not kept."""

    kept = None


def test_the_eight_boxes_are_named_and_checked():
    pupil = Pupil(name="anna", class_code="7b")
    naming = lab_module("06").panel("naming", pupil)
    seed = seed_for("anna", "06 panel", 0, "7b")
    names = lab06.eight(np.random.Generator(np.random.PCG64(seed)))
    right = {letter: lab06.kind_of(name) for letter, name in names.items()}
    field = naming.question.fields[0]
    naming.submit()
    assert "No answer yet" in naming.question.said.text
    field.show(right | {"A": right["B"], "B": right["A"]})
    naming.submit()
    assert naming.question.said.text.endswith("Not all of it is right yet.")
    field.show(right | {"A": right["C"], "C": right["A"]})
    naming.submit()
    assert "6 of 8 are right; check Box A, Box C" in naming.question.said.text
    field.show(right)
    naming.submit()
    assert "Right" in naming.question.said.text and "8 of 8" in naming.question.said.text


def test_residuals_of_different_length_are_refused():
    picture = Residuals(make_figure(400, 300).subplots())
    with pytest.raises(ValueError, match="give one of each"):
        picture.update([-60, 0], [-200], [-200, -200], here=(0, -200, -200))


def test_a_learner_gets_eight_boxes_in_an_order_of_their_own():
    drawn = [lab06.eight(np.random.default_rng(seed)) for seed in (1, 2)]
    assert [list(each) for each in drawn] == [list("ABCDEFGH")] * 2 and drawn[0] != drawn[1]
    anna, ben, again = (
        lab_module("06").panel("boxes", SimpleNamespace(name=name, class_code="7b")).numbers.table
        for name in ("anna", "ben", "anna")
    )
    assert anna == again and anna != ben


def test_the_prediction_is_measured():
    outcome, sentence, table = lab_module("06").compare()
    assert outcome == "three" and "compressor, clipper, saturator" in sentence and len(table.rows) == 8


def test_the_sound_of_a_linear_box_does_not_depend_on_drive():
    soft, loud = (lab06.heard(lab06.box("equaliser 1"), level) for level in (-40.0, 6.0))
    np.testing.assert_allclose(loud.samples, soft.samples, atol=1e-9)
