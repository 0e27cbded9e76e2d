"""The bench of black boxes: it follows the hand, undoes, says what it shows, and is told from its picture."""

import numpy as np
import pytest

from gainlib.exercises.linearity import boxes
from gainlib.notebook.figures import make_figure
from gainlib.notebook.figures.blackbox import Residuals
from gainlib.notebook.panels import lab06
from gainlib.notebook.panels.boxbench import BoxBench
from gainlib.processors import HardClip, Tremolo


@pytest.fixture
def bench():
    return BoxBench({"A": HardClip(-6.0), "B": Tremolo(5.3, 0.5)})


def test_the_picture_follows_box_and_drive(bench):
    assert "halving the input leaves under −120 dB" in bench.live.widget.sentence
    before = bench.live.widget.png
    bench.settings.set(drive_dbfs=12.0)
    assert bench.live.widget.png != before
    assert "gives" in bench.live.widget.sentence and "halving the input leaves −" in bench.live.widget.sentence
    bench.settings.set(box="B")
    assert "repeating it leaves −1" in bench.live.widget.sentence
    bench.settings.undo()
    bench.settings.undo()
    assert bench.letter == "A" and bench.live.widget.png == before


def test_residuals_of_different_length_are_refused():
    picture = Residuals(make_figure(400, 300).subplots())
    with pytest.raises(ValueError, match="give one of each a level"):
        picture.update([-60, 0], [-200], [-200, -200], here=(0, -200, -200))


def test_a_learner_gets_eight_boxes_in_an_order_of_their_own():
    drawn = [boxes.experiment(np.random.default_rng(seed)) for seed in (1, 2)]
    assert [list(each) for each in drawn] == [list("ABCDEFGH")] * 2 and drawn[0] != drawn[1]


def test_the_prediction_is_measured():
    outcome, sentence, table = lab06.compare()
    assert outcome == "three" and "compressor, clipper, saturator" in sentence and len(table.rows) == 8


def test_the_sound_of_a_linear_box_does_not_depend_on_drive():
    soft, loud = (boxes.heard(boxes.box("equaliser 1"), level) for level in (-40.0, 6.0))
    np.testing.assert_allclose(loud.samples, soft.samples, atol=1e-9)
