"""Pan laws against handbook values; order; mute and solo by counting paths; gains from strip to bus by rendering."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from session_oracle import sessions

from gainlib.audio import Audio, GainlibError
from gainlib.processors import HardClip
from gainlib.session import Group, Insert, Master, Send, Session, Strip, routing
from gainlib.session.render import post_blocks

AUDIO = Audio(np.ones(10), 48000)


def sides(pan, law, channels=1):
    return np.array(routing.pan_pair(pan, law, channels))


def decibels(pan, law):
    with np.errstate(divide="ignore"):
        return 20 * np.log10(sides(pan, law))


# ------------------------------------------------------------------------------------------------------- pan laws


@pytest.mark.parametrize(
    ("law", "centre", "near", "far"),
    [
        # By hand, 20·log₁₀: centre and quarter position of the sine/cosine, the linear law, and their geometric mean;
        # for the law without a loss in the centre, full scale and half of it.
        (-3, -3.010, -0.688, -8.343),
        (-6, -6.021, -2.499, -12.041),
        (-4.5, -4.515, -1.593, -10.192),
        (0, 0.0, 0.0, -6.021),
    ],
)
def test_pan_laws_at_centre_and_quarter(law, centre, near, far):
    assert decibels(0, law) == pytest.approx([centre, centre], abs=0.001)
    assert decibels(-0.5, law) == pytest.approx([near, far], abs=0.001)
    assert decibels(0.5, law) == pytest.approx([far, near], abs=0.001)
    assert sides(-1, law).tolist() == [1, 0]
    assert sides(1, law).tolist() == [0, 1]


@pytest.mark.parametrize("degrees", range(5, 90, 5))
def test_sine_cosine_law_by_angle(degrees):
    # 0° left, 90° right: 20·lg cos θ and 20·lg sin θ (handbook).
    left, right = decibels(degrees / 45 - 1, -3.0)
    assert left == pytest.approx(20 * np.log10(np.cos(np.radians(degrees))), abs=1e-9)
    assert right == pytest.approx(20 * np.log10(np.sin(np.radians(degrees))), abs=1e-9)


@pytest.mark.parametrize(("law", "gain_db"), [(-3, 3.010), (-6, 0.0), (-4.5, 1.505)])
def test_mono_fold_down_of_a_centred_source(law, gain_db):
    # Left plus right against the source (handbook).
    assert 20 * np.log10(sides(0, law).sum()) == pytest.approx(gain_db, abs=0.001)


@given(st.floats(-1, 1), st.sampled_from(routing.PAN_LAWS_DB))
def test_pan_laws_mirror_and_never_lift(pan, law):
    left, right = sides(pan, law)
    assert sides(-pan, law) == pytest.approx([right, left], abs=1e-15)
    assert 0 <= left <= 1 and 0 <= right <= 1


@given(st.floats(-1, 1))
def test_sine_cosine_keeps_the_power_and_linear_the_sum(pan):
    assert (sides(pan, -3.0) ** 2).sum() == pytest.approx(1)
    assert sides(pan, -6.0).sum() == pytest.approx(1)


@given(st.floats(-1, 1), st.sampled_from(routing.PAN_LAWS_DB))
def test_stereo_is_balanced_whatever_the_law(pan, law):
    gains = sides(pan, law, channels=2)
    assert gains.max() == 1
    assert gains.min() == pytest.approx(1 - abs(pan))


def test_other_pan_laws_are_refused():
    with pytest.raises(GainlibError, match=r"there is 0, −3, −4\.5 and −6"):
        routing.pan_pair(0, -2.5, 1)


# ---------------------------------------------------------------------------------------------------------- graph


@given(sessions())
def test_every_group_stands_behind_what_feeds_it(session):
    order = routing.topological_order(session)
    assert sorted(order) == sorted(group.name for group in session.groups)
    for group in session.groups:
        for name in set(group.outputs) - {"bus"}:
            assert order.index(group.name) < order.index(name)


def paths(session, name):
    """Return every way from a strip or group to the bus as a list of edges."""
    if name == "bus":
        return [[]]
    channel = routing.channels(session)[name]
    return [[edge, *rest] for edge in routing.edges_of(channel) for rest in paths(session, edge.to)]


def gain_of(session, path):
    """Return left and right gain of one way, edge by edge, from the pre-fader tap on."""
    total = np.ones(2)
    for edge in path:
        channel = routing.channels(session)[edge.source]
        if isinstance(channel, Group):
            total = total * 10 ** ((channel.trim_db + channel.post_trim_db) / 20)
        if edge.kind == "out":
            sides = routing.pan_pair(channel.pan, session.pan_law_db, channel.channels)
            total = total * sides * 10 ** (channel.fader_db / 20)
        else:
            sides = routing.pan_pair(0, session.pan_law_db, channel.channels)
            fader_db = channel.fader_db if edge.kind == "post" else 0
            total = total * sides * 10 ** ((edge.level_db + fader_db) / 20)
    return total


def counted(session, strip):
    """Return left and right gain of a strip: the sum over all ways that meet no mute and, in solo, a soloed one."""
    known = routing.channels(session)
    soloing = any(channel.solo for channel in known.values())
    total = np.zeros(2)
    for path in paths(session, strip.name):
        passed = [known[edge.source] for edge in path]
        if not any(each.mute for each in passed) and (not soloing or any(each.solo for each in passed)):
            total += gain_of(session, path)
    return total


@st.composite
def soloed_on_one_floor(draw):
    """Draw sessions in which strips are soloed, or one group; solo on both floors at once may let more through."""
    session = draw(sessions(linear=True, solo=False))
    names = st.sampled_from([strip.name for strip in session.strips])
    chosen = draw(st.sets(names))
    if session.groups and draw(st.booleans()):
        chosen = {draw(st.sampled_from([group.name for group in session.groups]))}
    for name in chosen:
        session = session.with_(name, solo=True)
    return session


@settings(max_examples=120)
@given(soloed_on_one_floor())
def test_gains_to_the_bus_equal_the_sum_over_all_ways(session):
    gains = routing.bus_paths(session).gains
    for strip in session.strips:
        assert gains[strip.name].shape == (2, strip.channels)
        np.testing.assert_allclose(gains[strip.name].sum(axis=1), counted(session, strip), rtol=1e-9, atol=1e-12)


@settings(max_examples=60)
@given(sessions(linear=True))
def test_gains_and_pre_fader_signals_give_the_rendered_bus(session):
    found = routing.bus_paths(session)
    assert found.reason == ""
    total = np.zeros((session.frames, 2))
    for strip in session.strips:
        post = np.concatenate(list(post_blocks(session, strip.name, 256)))
        total += post @ found.gains[strip.name].T
    np.testing.assert_allclose(total, session.render().audio("bus/in").samples, atol=1e-9)
    np.testing.assert_allclose(total * found.master_gain, session.render().bus.samples, atol=1e-9)


@settings(max_examples=60)
@given(sessions(linear=True), st.data())
def test_moves_handed_over_equal_a_changed_session(session, data):
    names = st.sampled_from(session.names)
    faders = data.draw(st.dictionaries(names, st.floats(-60, 10)))
    pan = data.draw(st.dictionaries(names, st.floats(-1, 1)))
    mute = data.draw(st.sets(names))
    moved = session.with_("bus", trim_db=-7)
    for name in session.names:
        changes = {"fader_db": faders[name]} if name in faders else {}
        changes |= {"pan": pan[name]} if name in pan else {}
        changes |= {"mute": True} if name in mute else {}
        moved = moved.with_(name, **changes)
    found = routing.bus_paths(session, faders=faders, pan=pan, mute=mute, master_trim_db=-7)
    wanted = routing.bus_paths(moved)
    assert found.master_gain == wanted.master_gain
    for name, gains in wanted.gains.items():
        np.testing.assert_array_equal(found.gains[name], gains)


def test_pre_fader_signal_ignores_mute_and_solo():
    session = Session([Strip("a", AUDIO, mute=True, trim_db=6), Strip("b", Audio(np.ones(25), 48000), solo=True)])
    blocks = list(post_blocks(session, "a", 10))
    assert [len(block) for block in blocks] == [10, 10, 5]
    assert blocks[0][0, 0] == pytest.approx(10 ** (6 / 20))
    assert not blocks[1].any()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"groups": (Group("g", inserts=HardClip()), Group("cue", to=()))}, "the group 'g' has a hard clip behind"),
        ({"master": Master(inserts=HardClip())}, "the master has a hard clip behind"),
        ({"bus": "fixed"}, "the bus is fixed"),
        ({"groups": (Group("g", inserts=Insert(HardClip(), bypass=True)), Group("cue", to=()))}, ""),
        ({"groups": (Group("g"), Group("cue", to=(), inserts=HardClip()))}, ""),
        ({"groups": (Group("g", mute=True, inserts=HardClip()), Group("cue", to=()))}, ""),
        ({"strips": (Strip("a", AUDIO, to="g", inserts=HardClip()),)}, ""),
    ],
)
def test_what_is_not_plain_gain_is_named(change, reason):
    session = Session((Strip("a", AUDIO, to="g", sends=Send("cue")),), (Group("g"), Group("cue", to=())))
    found = routing.bus_paths(session.with_(**change))
    assert found.reason.startswith(reason)
    assert (found.gains is None) == bool(reason)


def test_unknown_names_in_a_move_are_refused():
    session = Session((Strip("kick", AUDIO),))
    for move in ({"faders": {"kik": 0}}, {"pan": {"kik": 0}}, {"mute": ["kik"]}):
        with pytest.raises(GainlibError, match="named 'kik'; did you mean 'kick'"):
            routing.bus_paths(session, **move)
