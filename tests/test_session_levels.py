"""The one door to a session's levels: what measuring each node's audio gives, from one run, and only what is asked.

The other side of each comparison renders a node's audio and measures it by itself.
"""

from dataclasses import dataclass, fields
from typing import ClassVar

import numpy as np
import pytest

from gainlib.audio import Audio, GainlibError
from gainlib.meters import METERS, Reading, measure
from gainlib.processors import Compressor, Processor, Saturation
from gainlib.session import Group, Insert, Master, Send, Session, Strip, render

RATE_HZ = 48000
EVERY = [name for name in METERS if name != "over"]


def noise(seed, frames, channels):
    samples = np.random.default_rng(seed).normal(0.01, 0.4, (frames, channels))
    return Audio(samples * (1.0 + np.sin(np.arange(frames) / 3000.0))[:, np.newaxis], RATE_HZ)


def band():
    """Return a session with a compressed group, sends ahead of and behind a fader, and a lookahead on the master."""
    strips = (
        Strip(
            "kick", noise(1, 160_000, 1), trim_db=-3, inserts=(Saturation(),), to="drums", sends=Send("cue", -6, "pre")
        ),
        Strip("pad", noise(2, 120_001, 2), pan=0.4, fader_db=-5, sends=Send("cue", -9)),
    )
    groups = (Group("drums", inserts=(Compressor(),)), Group("cue", to=()))
    return Session(strips, groups, Master(inserts=(Insert(Compressor(), out_db=3.0),), fader_db=2))


@pytest.fixture
def runs(monkeypatch):
    """Count the runs over sessions, each with the nodes that were wanted."""
    wanted, run = [], render.run
    monkeypatch.setattr(
        render, "run", lambda session, nodes, *rest: wanted.append(tuple(nodes)) or run(session, nodes, *rest)
    )
    return wanted


def test_levels_are_those_of_the_audio_to_the_last_bit():
    trace, other = band().render(), band().render()
    levels = trace.levels(trace.nodes, EVERY)
    for node, audio in other.audios(trace.nodes).items():
        reading = measure(audio)
        assert {each.name: getattr(levels[node], each.name) for each in fields(Reading)} == vars(reading), node


def test_only_what_is_asked_is_there():
    level = band().render().levels(["bus"], ("rms", "true_peak"))["bus"]
    filled = {name for name, value in vars(level).items() if value is not None and name != "rendered"}
    assert filled == {"rms_dbfs", "crest_db", "true_peak_dbtp"}


def test_samples_over_full_scale_are_counted_over_both_channels():
    trace = band().with_("bus", fader_db=12.0).render()
    assert trace.levels(["bus"], ("over",))["bus"].over_samples == np.count_nonzero(np.abs(trace.bus.samples) > 1.0) > 0


def test_all_nodes_take_one_run_and_none_for_what_is_known(runs):
    trace = band().render()
    meters = {"kick/trim": ("rms",), "bus": ("rms", "true_peak")}
    first = trace.levels(meters, meters)
    assert runs == [("kick/trim", "bus")]
    assert trace.levels(meters, meters) == first and len(runs) == 1
    more = trace.levels(meters, ("rms", "dc"))
    assert len(runs) == 2
    assert [more[node].rms_dbfs for node in meters] == [first[node].rms_dbfs for node in meters]


def test_audio_at_hand_is_measured_without_a_run(runs):
    trace = band().render()
    bus = trace.bus
    assert trace.levels(["bus"], ("active",))["bus"].active_dbfs == measure(bus).active_dbfs
    assert len(runs) == 1


def test_who_watches_sees_all_blocks_in_order():
    trace, seen = band().render(), {"drums/in": [], "bus": []}
    level = trace.levels(["bus"], ("rms",), watch={node: blocks.append for node, blocks in seen.items()})["bus"]
    for node, blocks in seen.items():
        assert np.array_equal(np.concatenate(blocks), trace.audio(node).samples), node
    assert level.rms_dbfs == measure(trace.bus).rms_dbfs


def test_the_alignment_is_that_of_the_needle():
    trace = band().render()
    usual, other = (trace.levels(["bus"], ("needle",), alignment_dbfs=level)["bus"] for level in (-18.0, -20.0))
    assert other.hover_vu == pytest.approx(usual.hover_vu + 2.0, abs=1e-9)
    assert other.hover_dbfs == pytest.approx(usual.hover_dbfs, abs=1e-9)
    assert other.hover_vu == measure(trace.bus, -20.0).hover_vu


def test_a_gain_shifts_what_it_can_shift():
    """Behind −6 dB every meter but loudness reads what the shifted reading says; loudness is left open."""
    session = band().with_("bus", fader_db=0.0)
    shifted = session.render().levels(["bus"], list(METERS))["bus"].shifted(-6.0)
    moved = session.with_("bus", fader_db=-6.0).render().levels(["bus"], list(METERS))["bus"]
    for name, value in vars(shifted).items():
        if name in (*METERS["loudness"], "over_samples"):
            assert value is None
        elif isinstance(value, float):
            assert value == pytest.approx(getattr(moved, name), abs=1e-9), name


@pytest.mark.parametrize(
    ("nodes", "meters", "words"), [(["bus"], ("peak",), "no meter 'peak'"), (["buss"], ("rms",), "'bus'")]
)
def test_unknown_names_are_refused(nodes, meters, words):
    with pytest.raises(GainlibError, match=words):
        band().render().levels(nodes, meters)


@dataclass(frozen=True)
class Counted(Processor):
    """A wire that counts the blocks it gets."""

    pushed: ClassVar[list] = []
    linear = True

    def stream(self, rate_hz, channels):
        return self

    def push(self, block):
        self.pushed.append(len(block))
        return block

    def flush(self):
        return np.zeros((0, 1))


@pytest.mark.parametrize(
    ("node", "times"), [("kick/source", 0), ("kick/trim", 0), ("kick/insert 1/in", 0), ("kick/post", 1)]
)
def test_what_nobody_wants_is_not_run(node, times):
    Counted.pushed.clear()
    session = Session((Strip("kick", noise(1, 100, 1), inserts=(Insert(Counted()),)),))
    session.render().levels([node], ("rms",))
    assert len(Counted.pushed) == times
