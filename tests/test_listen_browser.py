"""Players in a real JupyterLab: nothing by itself, one clock, the samples as they are, the stated level."""

import numpy as np
import pytest

from gainlib.audio import Audio
from gainlib.notebook.listen import CROSSFADE_S, Player

pytestmark = pytest.mark.browser
RATE = 48000
SIGNALS = """
import numpy as np
from gainlib.audio import Audio
def hot(seconds=3.0):
    t = np.arange(int(seconds * 48000)) / 48000
    return Audio(np.stack([2.5 * np.sin(2 * np.pi * 440 * t), 1.2 * np.sin(2 * np.pi * 660 * t)], 1), 48000)
def soft(seconds=2.0):
    t = np.arange(int(seconds * 48000)) / 48000
    return Audio(0.2 * np.sin(2 * np.pi * 300 * t) * (1 + 0.5 * np.sin(2 * np.pi * 3 * t)), 48000)
"""
PLAYERS = (
    SIGNALS
    + """
from gainlib.notebook.listen import Player
import ipywidgets
player = Player({"before": hot(), "after": soft()}, note="Listen for the edge.")
other = Player({"a": soft(), "b": soft()}, match=False)
ipywidgets.VBox([player, other])
"""
)


@pytest.fixture(scope="module")
def studio(open_notebook):
    return open_notebook("players", PLAYERS)


@pytest.fixture(scope="module")
def twin():
    """The same player in this process: what its numbers should be."""
    scope = {}
    exec(SIGNALS, scope)
    return Player({"before": scope["hot"](), "after": scope["soft"]()}), scope


def desk(page, expression, which=0):
    script = f"async (k) => {{ const desk = document.querySelectorAll('.gl-player')[k].gainlib; return {expression}; }}"
    return page.page.evaluate(script, which)


def sounding(page, which=0):
    for _ in range(100):
        if desk(page, "desk.playing()", which):
            return
        page.page.wait_for_timeout(100)
    shown = page.page.locator(".gl-play").nth(which).inner_text()
    raise AssertionError(f"{shown}; sound {desk(page, 'desk.state()', which)}; came {desk(page, 'desk.log', which)}")


def test_nothing_plays_or_loads_by_itself(studio):
    assert desk(studio, "[desk.playing(), desk.log.length, desk.state() ?? 'none']") == [False, 0, "none"]
    studio.page.locator(".gl-player").first.scroll_into_view_if_needed()
    studio.shot("player")


def test_the_screen_states_the_attenuation_python_would(studio, twin):
    player, _ = twin
    shown = studio.page.locator(".gl-level").first.inner_text()
    assert shown == player.statement()
    assert shown.startswith("Everything is turned down by ")
    assert studio.page.locator(".gl-match").first.inner_text() == player.match_text
    assert "not matched here" in studio.page.locator(".gl-match").nth(1).inner_text()
    assert studio.page.locator(".gl-care").first.inner_text().startswith("Start low.")


def test_play_and_switch_on_one_clock(studio, twin):
    player, _ = twin
    studio.page.locator(".gl-play").first.click()
    sounding(studio)
    assert [m["bytes"] for m in desk(studio, "desk.log")] == [3 * RATE * 2 * 4, 2 * RATE * 4]  # 32-bit floats
    studio.page.wait_for_timeout(150)
    match = [10 ** (g / 20) for g in player.gains.match_db]
    assert desk(studio, "desk.gains()") == pytest.approx([match[0], 0], abs=1e-6)
    assert desk(studio, "desk.master()") == pytest.approx(10 ** (player.gains.start_db / 20), rel=1e-5)
    first = desk(studio, "[desk.position(), performance.now()]")
    studio.page.get_by_role("button", name="after", exact=True).click()
    assert studio.page.get_by_role("button", name="after", exact=True).get_attribute("aria-pressed") == "true"
    assert studio.page.get_by_role("button", name="before", exact=True).get_attribute("aria-pressed") == "false"
    studio.page.wait_for_timeout(150)
    assert desk(studio, "desk.gains()") == pytest.approx([0, match[1]], abs=1e-6)
    second = desk(studio, "[desk.position(), performance.now()]")
    moved = (second[0] - first[0]) % 3.0
    assert moved == pytest.approx((second[1] - first[1]) / 1000, abs=0.1)  # the clock ran on through the switch
    studio.page.locator(".gl-play").first.press("1")
    studio.page.wait_for_timeout(100)
    assert desk(studio, "desk.gains()")[0] > 0


def test_the_help_says_what_leaves_the_workbook(studio):
    studio.page.get_by_text("I hear nothing").first.click()
    studio.page.wait_for_function(
        "() => /Leaving the workbook now: −\\d+\\.\\d dBFS peak/.test(document.querySelector('.gl-now').innerText)"
    )
    assert "running" in studio.page.locator(".gl-now").first.inner_text()
    studio.page.locator(".gl-player").first.scroll_into_view_if_needed()
    studio.shot("player-help")
    studio.page.get_by_text("I hear nothing").first.click()


def test_the_buffers_hold_what_python_sent_beyond_full_scale_too(studio, twin):
    _, scope = twin
    sent = scope["hot"]().samples.astype(np.float32)
    got = np.array(desk(studio, "desk.samples(0)"), np.float32).reshape(2, -1).T
    np.testing.assert_array_equal(got, sent)
    assert np.abs(got).max() > 2.4


def test_what_is_rendered_is_the_samples_times_the_stated_gains_with_a_20_ms_crossfade(studio, twin):
    player, scope = twin
    switch, seconds = 0.5, 1.0
    out = np.array(desk(studio, f"await desk.offline({seconds}, [[{switch}, 1]])")).T
    t = np.arange(int(seconds * RATE)) / RATE
    hot, soft = scope["hot"]().samples[: len(t)], np.repeat(scope["soft"]().samples[: len(t)], 2, axis=1)
    fade = np.clip((t - switch) / CROSSFADE_S, 0, 1)[:, None]
    one, two = (10 ** ((g + player.gains.start_db) / 20) for g in player.gains.match_db)
    expected = hot * one * (1 - fade) + soft * two * fade
    assert np.abs(out - expected).max() < 2e-5
    assert np.abs(out[: int(0.5 * RATE)]).max() == pytest.approx(2.5 * one, rel=1e-3)  # neither clipped nor normalised


def test_the_volume_stops_at_the_ceiling_and_is_stated(studio, twin):
    player, _ = twin
    volume = studio.page.get_by_role("slider", name="Playback level").first
    volume.focus()
    for _ in range(8):
        studio.page.keyboard.press("PageUp")
    studio.page.wait_for_timeout(100)
    assert float(volume.input_value()) == pytest.approx(player.gains.ceiling_db, abs=0.051)
    assert desk(studio, "desk.master()") == pytest.approx(10 ** (player.gains.ceiling_db / 20), rel=1e-4)
    player.volume_db = player.gains.ceiling_db
    assert studio.page.locator(".gl-level").first.inner_text() == player.statement()
    player.volume_db = player.gains.start_db


def test_an_update_while_playing_goes_on_at_the_same_place(studio):
    position, at = desk(studio, "[desk.position(), performance.now()]")
    studio.kernel("player.update({'after': soft(2.5)})")
    studio.page.wait_for_function("() => document.querySelector('.gl-player').gainlib.log.length === 3")
    studio.page.wait_for_timeout(100)
    later, now = desk(studio, "[desk.position(), performance.now()]")
    assert desk(studio, "desk.playing()")
    assert (later - position) % 3.0 == pytest.approx((now - at) / 1000, abs=0.15)
    assert desk(studio, "desk.log[2].bytes") == 2.5 * RATE * 4


def test_only_one_player_sounds(studio):
    studio.page.locator(".gl-play").nth(1).click()
    sounding(studio, 1)
    assert desk(studio, "desk.playing()", 0) is False
    assert studio.page.locator(".gl-play").nth(0).get_attribute("aria-pressed") == "false"
    studio.page.locator(".gl-play").nth(1).click()
    studio.page.wait_for_timeout(100)
    assert [desk(studio, "desk.playing()", k) for k in (0, 1)] == [False, False]
    assert studio.kernel("print(player.playing, other.playing)") == "False False"


def test_without_loop_it_stops_at_the_end_and_can_start_again(studio):
    studio.page.locator(".gl-loop").nth(1).click()
    studio.page.locator(".gl-position").nth(1).evaluate("e => { e.value = 1.8; e.dispatchEvent(new Event('input')); }")
    studio.page.locator(".gl-play").nth(1).click()
    sounding(studio, 1)
    studio.page.wait_for_function("() => !document.querySelectorAll('.gl-player')[1].gainlib.playing()", timeout=5000)
    assert desk(studio, "desk.position()", 1) == 0
    studio.page.locator(".gl-play").nth(1).click()
    sounding(studio, 1)
    studio.page.locator(".gl-play").nth(1).click()
    assert studio.problems() == []


def test_a_sound_that_is_its_own_audio(twin):
    # the twin's numbers are worth comparing with only if the two sources really differ in level
    player, _ = twin
    assert isinstance(player._sources["before"], Audio) and player.gains.match_db[0] < -10
