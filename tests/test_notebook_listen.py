"""Listening without a browser: what leaves the workbook, by our meters and by others, and what never may."""

import json
import math
import pathlib
import re

import numpy as np
import pyloudnorm
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import resample_poly

from gainlib.audio import Audio, GainlibError
from gainlib.notebook import listen
from gainlib.notebook.listen import Gains, Heard, Player, gains, heard
from gainlib.signals import tone

ROOT = pathlib.Path(__file__).parent.parent
RATE = 48000


def noise(seconds=2.0, dbfs=-12.0, channels=2, seed=1, name="noise"):
    raw = np.random.default_rng(seed).standard_normal((int(seconds * RATE), channels))
    return Audio(raw * 10 ** (dbfs / 20) / 3, RATE, name)


def test_a_mono_source_is_measured_as_both_loudspeakers_play_it():
    t = np.arange(2 * RATE) / RATE
    tone = Audio(0.1 * np.sin(2 * np.pi * 997 * t), RATE)
    # EBU Tech 3341: a stereo 1 kHz sine of p dBFS peak in both channels reads p LUFS
    assert heard(tone).loudness_lufs == pytest.approx(-20.0, abs=0.1)
    assert heard(tone).true_peak_dbtp == pytest.approx(-20.0, abs=0.05)


def test_a_clip_shorter_than_a_loudness_block_still_gets_a_level():
    t = np.arange(int(0.2 * RATE)) / RATE
    tone = Audio(0.1 * np.sin(2 * np.pi * 997 * t), RATE)
    assert heard(tone).loudness_lufs == pytest.approx(-20.0, abs=0.3)


@settings(max_examples=200, deadline=None)
@given(
    sources=st.lists(
        st.tuples(st.one_of(st.just(-math.inf), st.floats(-70, 12)), st.floats(0, 15), st.floats(0, 25)),
        min_size=1,
        max_size=4,
    ),
    match=st.booleans(),
)
def test_no_setting_leaves_the_limits(sources, match):
    heard_all = tuple(Heard(loud, loud + more, loud + peak) for loud, more, peak in sources)
    found: Gains = gains(heard_all, match)
    for source, gain in zip(heard_all, found.match_db, strict=True):
        assert gain <= 0
        assert source.loudness_lufs + gain + found.start_db <= -30 + 1e-6
        assert source.loudest_lufs + gain + found.ceiling_db <= -12 + 1e-6
        assert source.true_peak_dbtp + gain + found.ceiling_db <= -6 + 1e-6
    assert found.start_db <= 0 and found.start_db <= found.ceiling_db
    after = [s.loudness_lufs + g for s, g in zip(heard_all, found.match_db, strict=True) if s.loudness_lufs > -math.inf]
    if match and after:
        assert max(after) - min(after) <= 0.1
    if not match:
        assert set(found.match_db) == {0.0}


def test_what_leaves_the_workbook_is_as_stated_by_other_meters():
    loud, soft = noise(4, -2, seed=2), noise(4, -21, channels=1, seed=3)
    player = Player({"before": loud, "after": soft})
    meter = pyloudnorm.Meter(RATE)
    out = []
    for audio, gain in zip((loud, soft), player.gains.match_db, strict=True):
        pair = np.repeat(audio.samples, 2, axis=1) if audio.channels == 1 else audio.samples
        out.append(pair * 10 ** ((gain + player.volume_db) / 20))
    # pyloudnorm's own filters are up to 0.05 LU off the standard's, the same for both
    loudness = [meter.integrated_loudness(x) for x in out]
    assert abs(loudness[0] - loudness[1]) <= 0.1
    assert loudness[0] == pytest.approx(-30, abs=0.2) and max(loudness) <= -29.9
    top = [x * 10 ** ((player.gains.ceiling_db - player.volume_db) / 20) for x in out]
    assert max(meter.integrated_loudness(x) for x in top) <= -12
    # scipy's resampler, 8 times: another interpolator than ours
    assert max(20 * np.log10(np.abs(resample_poly(x, 8, 1)).max()) for x in top) <= -5.8


def sent(player, want):
    """Ask as the browser does and return the messages that would leave."""
    messages = []
    player.send = lambda content, buffers=None: messages.append((content, [bytes(b) for b in buffers]))
    player._handle_custom_msg({"want": want}, [])
    return messages


def test_samples_go_out_as_they_are():
    samples = np.array([[0.0, 1.0], [-2.5, 1e-9], [1.75, -1.0]] * 4800, dtype=np.float64)
    player = Player({"hot": Audio(samples, RATE)})
    ((content, buffers),) = sent(player, list(player.stamps))
    assert (content["channels"], content["frames"]) == (2, 14400)
    got = np.frombuffer(buffers[0], "<f4").reshape(2, -1).T
    np.testing.assert_array_equal(got, samples.astype(np.float32))  # beyond ±1 included


def test_no_sound_travels_before_it_is_asked_for():
    player = Player({"a": noise(1), "b": noise(1, seed=5)})
    state = player.get_state()
    assert sum(len(v) for v in state.values() if isinstance(v, (bytes, memoryview))) == 0
    assert not player.playing
    assert sent(player, [99]) == []  # a sound that has been replaced


def test_an_update_sends_only_what_changed():
    player = Player({"a": noise(1), "b": noise(1, seed=5)})
    stamps = list(player.stamps)
    player.update({"b": noise(1, dbfs=-20, seed=6)})
    assert player.stamps[0] == stamps[0] and player.stamps[1] != stamps[1]


def leaving(player):
    return player.gains.loudest_lufs + player.volume_db


def test_matched_sources_stay_as_loud_through_an_update():
    first = noise(2, -6)
    player = Player({"as found": first, "now": first})
    player.volume_db += 3
    before, volume = leaving(player), player.volume_db
    player.update({"now": first.with_samples(first.samples * 10 ** (-10 / 20))})
    assert leaving(player) == pytest.approx(before, abs=0.06)
    assert player.volume_db == pytest.approx(volume + 10, abs=0.06)
    player.update({"now": first.with_samples(first.samples * 0.01)})
    assert player.volume_db == 0  # turned up unasked it is never


def test_where_level_is_the_lesson_an_update_leaves_the_volume():
    first = noise(2, -6)
    player = Player({"as found": first, "now": first}, match=False)
    volume = player.volume_db
    player.update({"now": first.with_samples(first.samples / 4), "as found": first.with_samples(first.samples / 4)})
    assert player.volume_db == volume


def test_a_test_tone_stays_below_its_own_ceiling():
    """Common practice, no source: no test tone above −20 dBFS through loudspeakers."""
    loud = tone(997, -3, 1.0)
    player = Player(loud, ceiling_dbtp=-20)
    player.volume_db = 0.0
    assert heard(loud).true_peak_dbtp + player.volume_db <= -20
    with pytest.raises(GainlibError, match=r"at most -6\.0 dBTP"):
        Player(loud, ceiling_dbtp=0)


def test_a_source_that_may_be_turned_up_leaves_room_for_it():
    first = noise(1, -20)
    plain, roomy = Player({"a": first, "b": first}), Player({"a": first, "b": first}, room_db=8)
    assert roomy.gains.ceiling_db == pytest.approx(plain.gains.ceiling_db - 8)
    roomy.trims_db = [0.0, 99.0]
    assert roomy.trims_db == [0.0, 8.0]
    with pytest.raises(GainlibError, match="1 trims for 2 sources"):
        roomy.trims_db = [1.0]


def test_volume_stops_at_the_ceiling():
    player = Player(noise(2, -6))
    player.volume_db = 60.0
    assert player.volume_db == player.gains.ceiling_db
    player.update({"noise": noise(2, 6)})
    assert player.volume_db == player.gains.ceiling_db < 0


def test_the_screen_says_when_levels_are_not_matched():
    pair = {"a": noise(1), "b": noise(1, dbfs=-20)}
    assert "not matched" in Player(pair, match=False).match_text
    assert re.search(r"turned down: a by \d+\.\d\d dB", Player(pair).match_text)
    assert "by" not in Player(pair, blind=True).match_text  # would give the answer of a blind test away
    assert Player(pair["a"]).match_text == ""


def test_a_silent_source_does_not_drag_the_others_down():
    player = Player({"a": noise(1), "nothing": Audio(np.zeros((RATE, 2)), RATE)})
    assert player.gains.match_db == (0.0, 0.0)
    assert player.statement().startswith("Everything is turned down by")
    assert json.dumps(player.levels, allow_nan=False)
    silent = Player(Audio(np.zeros(RATE), RATE))
    assert json.dumps(silent.levels, allow_nan=False) and "silent" in silent.statement()


@pytest.mark.parametrize(
    ("sources", "message"),
    [
        ({}, "at least one source"),
        ({"a": noise(0.5, channels=3)}, "a: 3 channels"),
        ({"a": Audio(np.zeros(100), 48000), "b": Audio(np.zeros(100), 44100)}, "one clock needs one rate"),
        ({"a": Audio(np.zeros(100), 192000)}, "a: 192000 Hz"),
        ({"a": np.zeros(100)}, "a: ndarray cannot be played"),
    ],
)
def test_what_cannot_be_played_is_refused(sources, message):
    with pytest.raises(GainlibError, match=message):
        Player(sources)


OTHER_PLAYERS = re.compile(
    r"IPython\.display[^\n]*\b(Audio|Video)\b|ipywidgets[^\n]*\b(Audio|Video)\b|\b(widgets|W|display)\.(Audio|Video)\b"
    r"|<\s*(audio|video)\b|\bnew\s+Audio\(|sounddevice|simpleaudio|pyaudio",
    re.IGNORECASE,
)


def other_players(text):
    return [match.group(0) for match in OTHER_PLAYERS.finditer(text)]


def test_all_sound_leaves_through_listen():
    where = [*ROOT.glob("labs/**/*.ipynb"), *ROOT.glob("gainlib/**/*.py"), *ROOT.glob("gainlib/**/*.js")]
    assert len(where) > 10
    for path in where:
        assert not other_players(path.read_text(encoding="utf-8")), path
        if path.suffix == ".js" and path.name not in ("player.js", "sounds.js"):
            assert "AudioContext" not in path.read_text(encoding="utf-8"), path


@pytest.mark.parametrize(
    "planted",
    [
        "from IPython.display import HTML, Audio",
        "import ipywidgets as W; W.Audio(value=b'')",
        "display(HTML('<audio src=x.wav>'))",
        "from ipywidgets import Video",
    ],
)
def test_another_player_would_be_found(planted):
    assert other_players(planted)


def test_the_limits_are_the_ones_the_screen_promises():
    assert (listen.START_LUFS, listen.CEILING_LUFS, listen.CEILING_DBTP, listen.CROSSFADE_S) == (-30, -12, -6, 0.02)
    assert "−30 LUFS" in listen.CARE[0]
