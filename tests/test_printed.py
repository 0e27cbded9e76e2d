"""A print brought back: what is said of a whole one, of a fragment, and of one that is something else."""

import pytest

from gainlib import signals
from gainlib.audio import Audio, GainlibError
from gainlib.mix.printed import compare_print
from gainlib.session import Session, Strip

RATE = 48_000


@pytest.fixture(scope="module")
def planned():
    """Four seconds of two noises that know nothing of each other, one on either side."""
    left, right = (signals.pink_noise(-20.0, 4.0, RATE, seed=seed) for seed in (1, 2))
    return Session((Strip("left", left, pan=-1.0), Strip("right", right, pan=1.0)))


def printed(planned, change):
    return Audio(change(planned.render().bus.samples), RATE, "print.wav")


def test_the_bus_itself_is_the_planned_mix(planned):
    report = compare_print(planned, printed(planned, lambda bus: bus))
    assert report.passed and "it is the planned mix." in report.sentences[-1]


def test_a_fragment_is_the_planned_mix_only_as_far_as_it_goes(planned):
    report = compare_print(planned, printed(planned, lambda bus: bus[:RATE]))
    assert "it leaves out 3.0 s of the plan" in report.sentences[-2]
    assert report.sentences[-1].endswith("it is the planned mix, as far as it goes.")


def test_swapped_sides_have_no_level(planned):
    report = compare_print(planned, printed(planned, lambda bus: bus[:, ::-1].copy()))
    assert "nothing in common" in report.sentences[-1]
    assert not any("stands" in sentence for sentence in report.sentences)


def test_a_print_at_another_rate_says_which(planned):
    with pytest.raises(GainlibError, match=r"print.wav runs at 44100 Hz and the song at 48000 Hz"):
        compare_print(planned, Audio(planned.render().bus.samples, 44_100, "print.wav"))
