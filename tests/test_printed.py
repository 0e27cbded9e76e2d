"""A print brought back: what is said of a whole one, of a fragment, and of one that is something else; of stems."""

import numpy as np
import pytest

from gainlib import signals
from gainlib.audio import Audio, GainlibError
from gainlib.mix import plan
from gainlib.mix.printed import compare_print, compare_stems
from gainlib.processors import BlackBox, Saturation
from gainlib.session import Insert, Session, Strip

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


# ---- stems ----------------------------------------------------------------------------------------------------------

NAMES = ("kick", "bass", "vocal")


def swelling(seed):
    """Four seconds of noise whose level comes and goes in a way of its own."""
    noise = signals.pink_noise(-24.0, 4.0, RATE, seed=seed)
    at = np.arange(noise.frames) / RATE
    return noise.with_samples(
        noise.samples * (1.2 + np.sin(2.0 * np.pi * (0.4 + 0.3 * seed) * at + seed))[:, None] / 2.2
    )


@pytest.fixture(scope="module")
def song():
    """A plan whose kick had a fader at −9 dB, whose bass passes a saturating stage, and whose vocal is panned."""
    strips = (
        Strip("kick", swelling(1), fader_db=-9.0),
        Strip("bass", swelling(2), inserts=(Insert(Saturation()),)),
        Strip("vocal", swelling(3), pan=0.3),
    )
    return plan(Session(strips))


def prints(song, change=None, name="", at="out", session=None):
    """Return what the mixer prints: the plan's nodes, one of them changed."""
    trace = (session or song.session).render()
    for each in NAMES:
        audio = trace.audio(f"{each}/{at}")
        yield Strip(each, audio.with_samples(change(audio.samples)) if each == name else audio)


def fault_of(song, *args, **more):
    """Return the faults of the one strip that is off."""
    report = compare_stems(song, prints(song, *args, **more), more.get("at", "out"))
    (off,) = [each for each in report.stems if not each.passed]
    return off


@pytest.mark.parametrize("at", ["out", "post"])
def test_stems_as_planned_pass(song, at):
    report = compare_stems(song, prints(song, at=at), at)
    assert report.passed and [each.strip for each in report.stems] == list(NAMES)


def test_a_control_that_was_not_set_is_named_with_what_it_takes(song):
    left = song.session.with_("kick", fader_db=-9.0)
    off = fault_of(song, session=left)
    assert off.strip == "kick" and off.off_db == pytest.approx(-9.0, abs=0.01)
    (fault,) = off.faults
    assert fault.what == "it is 9.0 dB too soft"
    assert fault.cure == "as if the fader still stood at −9.0 dB: set it to 0.0 dB, 9.0 dB up"
    (move,) = [move for move in song.moves if (move.strip, move.control) == ("bass", "trim")]
    off = fault_of(song, session=song.session.with_("bass", trim_db=move.before_db))  # ahead of a box that bends
    assert off.off_db != pytest.approx(-move.change_db, abs=0.5)
    assert off.faults[0].cure.startswith("as if the input trim still stood at 0.0 dB: set it to +")


def test_a_gain_that_no_control_of_the_plan_explains_is_told_by_how_much(song):
    off = fault_of(song, lambda samples: samples * 10.0 ** (0.8 / 20.0), "vocal")
    assert (
        off.faults[0].cure
        == "compare its gains with the sheet; if they stand, turn its fader or output trim 0.8 dB down"
    )
    off = fault_of(song, lambda samples: samples * 10.0 ** (0.8 / 20.0), "bass", at="post")
    assert "around its processors" in off.faults[0].cure and off.faults[0].cure.endswith(
        "turn its output trim 0.8 dB down"
    )


def test_a_pan_that_stands_elsewhere_is_told_and_no_gain_with_it(song):
    (fault,) = fault_of(song, session=song.session.with_("vocal", pan=-0.4)).faults
    assert fault.what == "its sides stand as with the pan at −0.40" and fault.cure == "set the pan to +0.30"


def test_polarity_and_start(song):
    off = fault_of(song, lambda samples: -np.roll(samples, RATE // 50, axis=0), "kick")
    assert [each.what for each in off.faults] == ["its polarity is inverted", "it starts 20.0 ms late"]
    assert off.faults[0].cure == "turn its polarity switch"


def test_a_silent_print_and_one_at_another_rate(song):
    assert fault_of(song, np.zeros_like, "bass").faults[0].what == "it is silent"
    others = [
        each if each.name != "bass" else Strip("bass", Audio(each.audio.samples, 44_100)) for each in prints(song)
    ]
    (off,) = [each for each in compare_stems(song, others).stems if not each.passed]
    assert (off.faults[0].what, off.faults[0].cure) == ("it runs at 44100 Hz", "print it at 48000 Hz")


def test_missing_extra_and_renamed_prints_are_named(song):
    kick, _, vocal = prints(song)
    other = Strip("room", swelling(7).with_samples(np.repeat(swelling(7).samples, 2, axis=1)))
    softer = np.pad(vocal.audio.samples * 0.5, ((RATE // 4, 0), (0, 0)))
    report = compare_stems(song, [kick, Strip("LeadVox_03", vocal.audio.with_samples(softer)), other])
    assert (report.missing, report.extra, report.passed) == (("bass",), ("room",), False)
    renamed = [(each.strip, each.printed_as) for each in report.stems if each.renamed]
    assert renamed == [("vocal", "LeadVox_03")]
    assert [fault.what for fault in report.stems[1].faults] == ["it starts 250.0 ms late", "it is 6.0 dB too soft"]
    assert report.stems[1].off_db == pytest.approx(20.0 * np.log10(0.5), abs=1e-6), "silence ahead is no softer stem"
    with pytest.raises(GainlibError, match="none of room is named as a strip of the song, or sounds like one"):
        compare_stems(song, [other])


def test_a_strip_that_is_muted_is_not_missed():
    strips = [Strip(name, swelling(k), mute=name == "bass") for k, name in enumerate(NAMES, 1)]
    report = compare_stems(made := plan(Session(strips)), [each for each in prints(made) if each.name != "bass"])
    assert report.passed and report.missing == ()


def test_what_rests_on_an_unmeasured_box_is_marked():
    made = plan(Session([Strip(name, swelling(k), inserts=(Insert(BlackBox()),) if name == "bass" else ())
                         for k, name in enumerate(NAMES, 1)]))  # fmt: skip
    assert [each.strip for each in compare_stems(made, prints(made)).stems if each.told] == ["bass"]
