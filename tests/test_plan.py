"""The plan keeps its promises over random sessions, and does what each awkward case asks for.

The second way beside each promise: energies are measured with numpy on the rendered audio, and the true peak of the
bus with scipy's eightfold resampling, not with the meters the plan itself works by.
"""

from functools import lru_cache
from itertools import pairwise

import numpy as np
import pytest
from daily import daily
from scipy import signal

from gainlib.audio import Audio, GainlibError
from gainlib.demo import demo_session
from gainlib.meters import measure
from gainlib.mix import plan
from gainlib.processors import (
    AsymmetricSaturation,
    Compressor,
    DCBlock,
    Delay,
    Filter,
    Gate,
    HardClip,
    Limiter,
    Reverb,
    Saturation,
    Tape,
)
from gainlib.session import Group, Insert, Master, Send, Session, Strip
from gainlib.session.render import run

RATE_HZ = 48000
FRAMES = 2 * RATE_HZ
RANDOM_SESSIONS, AT_ONCE = 200, 20


# ------------------------------------------------------------------------------------------------------- made-up mixes


def stem(rng, kind, share=1.0):
    """Return a share of 2 s of a made-up stem that shows one awkward trait."""
    time_s = np.arange(FRAMES)[:, np.newaxis] / RATE_HZ
    width = int(rng.integers(1, 3))
    swell = 0.55 + 0.45 * np.sin(2 * np.pi * rng.uniform(0.4, 3) * time_s + rng.uniform(0, 6))
    tone = np.sin(2 * np.pi * rng.uniform(50, 3000) * time_s + rng.uniform(0, 6, width))
    samples = 0.7 * tone * swell + 0.05 * rng.standard_normal((FRAMES, width))
    if kind == "sparse":
        samples *= (time_s % 2.0) < 0.2
    elif kind == "spiky":
        samples = np.exp(-(time_s % 0.5) / 0.012) * rng.standard_normal((FRAMES, width))
    elif kind == "offset":
        samples += 0.12
    elif kind == "clipped":
        samples = np.clip(2.5 * samples, -1, 1)
    elif kind == "dual mono":
        samples = np.repeat(samples[:, :1], 2, axis=1)
    elif kind == "silent":
        samples *= 0.0
    peak = np.abs(samples).max()
    level = {"too hot": rng.uniform(0.8, 1.4), "too low": rng.uniform(0.002, 0.01)}.get(kind, rng.uniform(0.05, 0.7))
    samples *= level / peak if peak else 0.0
    return Audio(samples[: round(share * FRAMES)].astype(np.float32), RATE_HZ)


TRAITS = ("plain", "sparse", "spiky", "offset", "clipped", "dual mono", "silent", "too hot", "too low")
BOXES = (
    lambda rng: Saturation(float(rng.uniform(1, 4))),
    lambda rng: AsymmetricSaturation(2.0, 0.2),
    lambda rng: Compressor(float(rng.uniform(-30, -14)), float(rng.uniform(2, 5))),
    lambda rng: Filter("peaking", float(rng.uniform(100, 4000)), 1.0, float(rng.uniform(-6, 6))),
    lambda rng: Delay(0.003),
    lambda rng: Gate(float(rng.uniform(-60, -40))),
    lambda rng: HardClip(float(rng.uniform(-6, 0))),
    lambda rng: Tape(),
)


def inserts(rng, most=2):
    """Return a random chain, some of it bypassed, with gains on either side."""
    chosen = [BOXES[int(rng.integers(len(BOXES)))](rng) for _ in range(int(rng.integers(0, most + 1)))]
    return tuple(
        Insert(box, float(rng.uniform(-3, 3)), float(rng.uniform(-3, 3)), bypass=bool(rng.random() < 0.1))
        for box in chosen
    )


def mix(seed):
    """Return a random session: 3 to 6 strips, a driven group, a return, a cue; every trait turns up in turn.

    Half the strips end early, but none with an offset: where that ends is a step, which `energy` counts.
    """
    rng, lengths = np.random.default_rng(seed), np.random.default_rng([seed, 1])
    count = int(rng.integers(3, 7))
    strips = []
    for k in range(count):
        to = [("bus",), ("bus",), ("drums",), ("bus", "drums")][int(rng.integers(4))]
        sends = tuple(
            Send(name, float(rng.uniform(-20, 0)), str(rng.choice(["pre", "post"])))
            for name in ("echo", "cue")
            if rng.random() < 0.3
        )
        trait = TRAITS[(seed + k) % len(TRAITS)]
        share = lengths.uniform(0.3, 1.0) if lengths.random() < 0.5 and trait != "offset" else 1.0
        strips.append(
            Strip(
                f"s{k}",
                stem(rng, trait, share),
                trim_db=float(rng.uniform(-3, 3)),
                inserts=inserts(rng),
                post_trim_db=float(rng.uniform(-3, 3)),
                fader_db=float(rng.choice([rng.uniform(-18, 6), 0.0])),
                pan=float(rng.uniform(-1, 1)),
                mute=bool(rng.random() < 0.05),
                sends=sends,
                to=to,
            )
        )
    drive = Insert(Compressor(-24.0, 3.0) if rng.random() < 0.5 else Saturation(2.0))
    groups = (
        Group("drums", inserts=(drive,) if rng.random() < 0.7 else (), fader_db=float(rng.uniform(-8, 3))),
        Group("echo", inserts=(Insert(Delay(0.09)),), fader_db=float(rng.uniform(-8, 0))),
        Group("cue", to=()),
    )
    return Session(tuple(strips), groups)


def energy(audio):
    """Return the mean power of audio without its offset, dB, by numpy alone."""
    samples = audio.samples - audio.samples.mean(axis=0)
    power = np.mean(samples**2)
    return 10 * np.log10(power) if power > 1e-18 else -np.inf


def energies(session, nodes):
    """Return `energy` at several nodes of a session, from one pass that keeps no audio."""
    sums = {}
    for node, block in run(session, nodes):
        start, plain, squares = sums.setdefault(node, (block[0].copy(), *np.zeros((2, block.shape[1]))))
        plain += (block - start).sum(axis=0)
        squares += ((block - start) ** 2).sum(axis=0)
    powers = {
        node: np.mean(squares / session.frames - (plain / session.frames) ** 2)
        for node, (_, plain, squares) in sums.items()
    }
    return {node: 10 * np.log10(power) if power > 1e-18 else -np.inf for node, power in powers.items()}


def true_peak(audio):
    """Return the true peak in dBTP by scipy's eightfold resampling."""
    padded = np.pad(audio.samples, ((64, 64), (0, 0)))
    return 20 * np.log10(np.abs(signal.resample_poly(padded, 8, 1, axis=0)).max())


def ways(session):
    """Return every way into every sum, main ways and sends, by its node."""
    found = {}
    for channel in (*session.strips, *session.groups):
        if channel.to:
            found[f"{channel.name}/out"] = channel.to
        found |= {f"{channel.name}/send {send.to}": (send.to,) for send in channel.sends}
    return found


def assert_relations_kept(before, result, close_db=0.011):
    """Every way into one sum moves alike; groups with a box in them are driven as they were."""
    into = ways(before)
    driven = [
        f"{group.name}/trim" for group in before.groups if any(not insert.processor.linear for insert in group.inserts)
    ]
    was, now = (energies(each, [*into, *driven]) for each in (before, result.session))
    moved = {}
    for node, sums in into.items():
        if np.isfinite(was[node]) and was[node] > -110:
            for target in sums:
                moved.setdefault(target, {})[node] = now[node] - was[node]
    for target, changes in moved.items():
        spread = max(changes.values()) - min(changes.values())
        assert spread <= 2 * close_db, (target, changes)
    for node in driven:
        drive = now[node] - was[node]
        assert not np.isfinite(drive) or abs(drive) <= 0.05, node


@lru_cache(maxsize=2 * AT_ONCE)
def planned(seed):
    """Return a random session and its plan."""
    session = mix(seed)
    return session, plan(session)


@pytest.mark.parametrize("first", [*daily(range(0, RANDOM_SESSIONS, AT_ONCE), 2)])
def test_promises_over_random_sessions(first):
    for seed in range(first, first + AT_ONCE):
        session, result = planned(seed)
        assert result.verification.passed, (seed, [str(check) for check in result.verification.missed])
        bus = result.session.render().bus
        if np.abs(bus.samples).max() > 0:
            assert -6.05 <= measure(bus).true_peak_dbtp <= -6.0, seed
            # Eightfold finds up to 0.5 dB more near half the rate (BS.1770-4 Annex 2, Attachment 1).
            assert -6.1 < true_peak(bus) < -5.5, seed
        assert_relations_kept(session, result)
        far = [
            channel
            for channel in (*result.session.strips, *result.session.groups)
            if abs(channel.fader_db) > 3.0 and not channel.mute
        ]
        assert all(silent(session, channel.name) for channel in far), seed


def silent(session, name):
    """Return whether nothing comes out of a strip or into a group, so that no plan sets it."""
    node = f"{name}/source" if any(strip.name == name for strip in session.strips) else f"{name}/in"
    return not np.isfinite(energy(session.render().audio(node)))


@pytest.mark.parametrize("seed", [*daily(range(0, RANDOM_SESSIONS, AT_ONCE), 2)])
def test_a_planned_session_needs_no_plan(seed):
    _, first = planned(seed)
    second = plan(first.session)
    assert [move for move in second.moves if abs(move.change_db) > 0.05] == []


@pytest.mark.parametrize("seed", [3, 8, 21])
def test_keep_leaves_every_drive_alone(seed):
    session = mix(seed).with_(finished=True)
    result = plan(session)
    assert result.policy == "keep"
    assert {move.control.split(" ")[0] for move in result.moves if move.strip.startswith("s")} <= {
        "output", "fader", "send",
    }  # fmt: skip
    assert_relations_kept(session, result)


@pytest.mark.parametrize(("average", "match"), [("needle", "energy"), ("active", "loudness")])
def test_other_meters(average, match):
    result = plan(mix(5), average=average, match=match)
    assert result.verification.passed, result.verification.missed


# ------------------------------------------------------------------------------------------------------ awkward cases


def tone(level_dbfs, hz=220.0, width=1):
    time_s = np.arange(FRAMES)[:, np.newaxis] / RATE_HZ
    return Audio(np.repeat(10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * time_s), width, axis=1), RATE_HZ)


def after(strip, control, result):
    return next(move.after_db for move in result.moves if (move.strip, move.control) == (strip, control))


def test_a_steady_tone_is_trimmed_to_the_reference():
    result = plan(Session((Strip("bass", tone(-10.0), inserts=(Insert(Saturation()),)),)))
    assert after("bass", "trim", result) == pytest.approx(-8.0, abs=0.01)  # −18 − (−10)
    # Fundamental of tanh(A·sin)/A at A = 2.79 · 10^(−18/20): −0.26 dB (closed form by series, handbook)
    assert after("bass", "insert 1 out", result) == pytest.approx(0.26, abs=0.02)


def test_peaks_limit_the_trim():
    spikes = np.zeros((FRAMES, 1))
    spikes[::4800] = 0.5
    result = plan(Session((Strip("clicks", Audio(spikes, RATE_HZ), inserts=(Insert(Saturation()),)),)))
    move = next(move for move in result.moves if move.control == "trim")
    assert move.change_db == pytest.approx(-3.0 + 6.02, abs=0.05)
    assert "peaks" in move.reason


def test_linear_chains_need_no_trim():
    chain = (Insert(Filter("highpass", 80.0)), Insert(DCBlock()))
    result = plan(Session((Strip("hat", tone(-20.0), inserts=chain),)))
    assert {move.control for move in result.moves} == {"output trim"}


def test_linear_chains_null():
    session = Session((Strip("a", tone(-9.0), fader_db=-11.0), Strip("b", tone(-6.0, 331.0, 2), fader_db=2.0)))
    result = plan(session)
    was, now = session.render().bus.samples, result.session.render().bus.samples
    rest = now * 10 ** (-result.offset_db / 20) - was
    assert 20 * np.log10(np.abs(rest).max()) < -120


def test_a_gate_keeps_its_place_in_the_signal():
    chain = (Insert(Gate(-45.0)), Insert(Saturation()))
    result = plan(Session((Strip("tom", tone(-30.0), inserts=chain),)))
    trim = next(move for move in result.moves if move.control == "trim").change_db
    assert after("tom", "insert 1 threshold", result) == pytest.approx(-45.0 + trim, abs=0.01)


def test_a_clip_keeps_its_drive():
    chain = (Insert(Saturation()), Insert(HardClip(-6.0)))
    session = Session((Strip("synth", tone(-3.0), inserts=chain),))
    result = plan(session)
    was, now = (each.render().audio("synth/insert 2/in") for each in (session, result.session))
    assert energy(now) == pytest.approx(energy(was), abs=0.02)


LEVEL_DBFS = {"long": -9.0, "short": -12.0}


def uneven(chain=(), short_by=0.5, offset=0.0, **settings):
    """Return two strips, one of which ends early."""
    long, short = tone(LEVEL_DBFS["long"]), tone(LEVEL_DBFS["short"], 331.0)
    cut = Audio(short.samples[: round((1.0 - short_by) * FRAMES)] + offset, RATE_HZ)
    return Session((Strip("long", long), Strip("short", cut, inserts=chain)), **settings)


def assert_alike(before, result):
    """The strips of a session move alike, by numpy."""
    was, now = before.render(), result.session.render()
    moved = [energy(now.audio(f"{name}/out")) - energy(was.audio(f"{name}/out")) for name in before.names]
    assert max(moved) - min(moved) <= 0.02


@pytest.mark.parametrize("policy", ["restage", "keep"])
@pytest.mark.parametrize(
    "chain",
    [
        (Saturation(),),
        (Delay(0.3),),
        (Reverb(2.0, seed=0),),
        (Filter("lowpass", 30.0),),
        (Delay(0.01), Saturation()),
    ],
    ids=lambda chain: "+".join(type(box).__name__ for box in chain),
)
def test_a_strip_that_ends_early_keeps_its_level_tail_and_all(policy, chain):
    session = uneven(tuple(Insert(box) for box in chain))
    result = plan(session, policy=policy)
    assert result.verification.passed, result.verification.missed
    assert_alike(session, result)


@pytest.mark.parametrize("chain", [(), (Insert(Saturation()),)])
def test_an_offset_that_ends_early_is_no_level(chain):
    session = uneven(chain, offset=0.1)
    result = plan(session)
    assert result.session.strip("short").dc_block
    assert result.verification.passed, result.verification.missed
    was, now = session.render(), result.session.render()
    # Both are compared while the short strip plays, its first 0.1 s apart, in which the DC block settles.
    moved = []
    for name in session.names:
        parts = (each.audio(f"{name}/out").samples[RATE_HZ // 10 : FRAMES // 2] for each in (was, now))
        old, new = (energy(Audio(part, RATE_HZ)) for part in parts)
        moved.append(new - old)
    assert moved[0] == pytest.approx(moved[1], abs=0.05)


@pytest.mark.parametrize("policy", ["restage", "keep"])
@pytest.mark.parametrize("share", [1.0, 0.7])
def test_nothing_but_an_offset_is_taken_off_or_moves_along(policy, share):
    constant = Audio(np.full(round(share * FRAMES), 0.25), RATE_HZ)
    result = plan(Session((Strip("a", tone(-9.0)), Strip("b", constant, fader_db=-8.0))), policy=policy)
    assert result.verification.passed, result.verification.missed
    assert true_peak(result.session.render().bus) == pytest.approx(-6.025, abs=0.12)
    assert result.session.strip("b").dc_block == (policy == "restage")
    assert result.session.strip("b").fader_db == -8.0
    assert any("b: " in warning and "offset" in warning for warning in result.warnings)


@pytest.mark.parametrize("box", [AsymmetricSaturation(), Tape(2.0, hiss_dbfs=-60.0)])
def test_a_group_that_only_silence_feeds_has_no_drive_to_keep(box):
    strips = (Strip("a", tone(-9.0)), Strip("b", tone(-np.inf), sends=(Send("g", 0.0),)))
    result = plan(Session(strips, (Group("g", inserts=(Insert(box),)),)))
    assert result.verification.passed, result.verification.missed


def test_what_is_too_soft_to_set_moves_with_the_rest_and_keeps_its_settings():
    soft = Strip("b", tone(-110.0), trim_db=10.0, post_trim_db=10.0, fader_db=10.0)
    session = Session((Strip("a", tone(-12.0)), soft))
    result = plan(session)
    assert [move.control for move in result.moves if move.strip == "b"] == ["output trim"]
    assert any(warning.startswith("b: silent") and "moves with the rest" in warning for warning in result.warnings)
    assert_alike(session, result)


def test_a_shut_processor_stays_shut():
    shut = Insert(Compressor(), out_db=-np.inf)
    result = plan(Session((Strip("a", tone(-9.0)), Strip("b", tone(-9.0, 331.0), inserts=(shut,)))))
    assert result.session.strip("b").inserts == (shut,)
    assert result.verification.passed, result.verification.missed


OVERDRAWN = {
    "a soft stem, restaged": Session(
        (Strip("a", tone(-60.0), inserts=(Insert(Saturation()),)), Strip("b", tone(-9.0)))
    ),
    "a soft mix, kept": Session(
        (Strip("a", tone(-50.0), fader_db=-2.5, inserts=(Insert(Saturation()),)),), finished=True
    ),
    "a soft mix, linear": Session((Strip("a", tone(-60.0), inserts=(Insert(Filter("lowpass", 3000.0)),)),)),
    "a gate": Session((Strip("a", tone(-60.0), inserts=(Insert(Gate(-80.0)),), fader_db=-2.5),)),
    "a group": Session(
        (Strip("a", tone(-60.0), to=("g",)),), (Group("g", inserts=(Insert(Saturation()),), sends=(Send("h", -3.0),)),
        Group("h", to=()),),
    ),
}  # fmt: skip


@pytest.mark.parametrize("session", OVERDRAWN.values(), ids=OVERDRAWN.keys())
def test_controls_end_where_their_travel_does(session):
    result = plan(session)
    assert result.verification.passed, result.verification.missed
    assert_relations_kept(session, result)
    for channel in (*result.session.strips, *result.session.groups):
        assert max(abs(channel.trim_db), abs(channel.post_trim_db), abs(channel.fader_db) + 21.0) <= 24.0 + 1e-9
    assert [move for move in plan(result.session).moves if abs(move.change_db) > 0.05] == []


@pytest.mark.parametrize("session", OVERDRAWN.values(), ids=OVERDRAWN.keys())
def test_no_control_moves_without_a_reason(session):
    result = plan(session)
    told = {(move.strip, move.control): move.after_db for move in result.moves}
    for channel in (*session.strips, *session.groups):
        planned = next(each for each in (*result.session.strips, *result.session.groups) if each.name == channel.name)
        for control, field in (("trim", "trim_db"), ("output trim", "post_trim_db"), ("fader", "fader_db")):
            was, now = getattr(channel, field), getattr(planned, field)
            assert told.get((channel.name, control), was) == pytest.approx(now, abs=0.005)
        for k, (was, now) in enumerate(zip(channel.inserts, planned.inserts, strict=True), 1):
            for end in ("in", "out"):
                gain = told.get((channel.name, f"insert {k} {end}"), getattr(was, f"{end}_db"))
                assert gain == pytest.approx(getattr(now, f"{end}_db"), abs=0.005)
    for move in result.moves:
        if "to unity" in move.reason:
            assert move.after_db == 0.0


def test_an_output_that_takes_the_rest_is_said_to_break_the_bypass():
    result = plan(OVERDRAWN["a soft mix, kept"])
    assert after("a", "insert 1 out", result) > 0.0
    assert any(warning.startswith("a: ") and "bypass" in warning for warning in result.warnings)


def test_what_no_control_can_take_is_said():
    result = plan(Session((Strip("a", tone(-80.0)),)))
    quiet = result.session.strip("a")
    assert quiet.trim_db == pytest.approx(24.0) and quiet.fader_db == pytest.approx(3.0)
    assert any(warning.startswith("a: ") and "beyond" in warning for warning in result.warnings)


def test_a_silent_strip_is_left_alone_and_named():
    result = plan(Session((Strip("a", tone(-9.0)), Strip("shaker", tone(-np.inf), fader_db=-20.0))))
    assert result.session.strip("shaker").fader_db == -20.0
    assert any("shaker" in warning and "silent" in warning for warning in result.warnings)


def test_an_offset_is_blocked_unless_the_drive_is_to_stay():
    shifted = Audio(tone(-12.0).samples + 0.05, RATE_HZ)
    session = Session((Strip("keys", shifted),))
    assert plan(session).session.strip("keys").dc_block
    kept = plan(session, policy="keep")
    assert not kept.session.strip("keys").dc_block
    assert any("offset" in warning for warning in kept.warnings)


def test_a_strip_in_two_sums_keeps_the_blend():
    strips = (Strip("snare", tone(-9.0), to=("bus", "crush")), Strip("kick", tone(-7.0, 90.0)))
    session = Session(strips, (Group("crush", inserts=(Insert(Compressor(-30.0, 8.0)),)),))
    result = plan(session)
    assert_relations_kept(session, result)
    assert result.verification.passed


def test_sends_before_the_fader_follow_the_post_trim():
    strips = (Strip("vocal", tone(-9.0), fader_db=-14.0, sends=(Send("cue", -3.0, "pre"), Send("echo", -6.0))),)
    session = Session(strips, (Group("cue", to=()), Group("echo", inserts=(Insert(Delay(0.1)),))))
    result = plan(session)
    was, now = session.render(), result.session.render()
    for name in ("cue", "echo"):
        assert energy(now.audio(f"vocal/send {name}")) == pytest.approx(
            energy(was.audio(f"vocal/send {name}")), abs=0.01
        )
    wet = energy(now.audio("echo/out")) - energy(now.audio("vocal/out"))
    assert wet == pytest.approx(energy(was.audio("echo/out")) - energy(was.audio("vocal/out")), abs=0.01)


def test_a_post_trim_beyond_its_travel_goes_to_the_trim_of_a_linear_chain():
    result = plan(Session((Strip("quiet", tone(-6.0), fader_db=-40.0), Strip("loud", tone(-6.0, 500.0)))))
    quiet = result.session.strip("quiet")
    assert abs(quiet.post_trim_db) <= 24.0 + 1e-9 and abs(quiet.fader_db) <= 3.0
    assert result.verification.passed


def test_a_fixed_bus_is_planned_from_what_it_would_be():
    session = Session(
        (Strip("a", tone(-1.0)), Strip("b", tone(-1.0, 331.0)), Strip("c", tone(-1.0, 77.0))), bus="fixed"
    )
    result = plan(session)
    assert true_peak(result.session.render().bus) == pytest.approx(-6.025, abs=0.12)
    assert result.verification.passed


@pytest.mark.parametrize(("fader_db", "clips"), [(-8.0, True), (-3.0, False)])
def test_a_fixed_bus_that_clips_ahead_of_the_master_fader_is_told(fader_db, clips):
    # A sine of −6 dBTP behind a fader at −8 dB is one of +2 dBTP ahead of it.
    result = plan(Session((Strip("a", tone(-12.0)),), master=Master(fader_db=fader_db), bus="fixed"))
    told = [warning for warning in result.warnings if "clips ahead of the master fader" in warning]
    assert bool(told) == clips
    assert result.verification.passed != clips
    assert not told or ("+2.0 dBFS" in told[0] and "−8.0 dB" in told[0])


@pytest.mark.parametrize("policy", ["restage", "keep"])
def test_a_level_dependent_master_is_driven_and_then_set_behind(policy):
    master = Master(inserts=(Insert(Saturation(1.5)), Insert(Limiter(-1.0))))
    result = plan(Session((Strip("a", tone(-8.0)), Strip("b", tone(-9.0, 331.0))), master=master), policy=policy)
    assert true_peak(result.session.render().bus) == pytest.approx(-6.025, abs=0.12)


def test_one_loud_source_is_told_and_not_touched():
    strips = (Strip("boom", tone(-1.0, 50.0)), Strip("hat", tone(-24.0, 6000.0)), Strip("pad", tone(-26.0)))
    result = plan(Session(strips))
    assert any("boom" in sentence for sentence in result.advice)
    assert {round(move.change_db, 3) for move in result.moves} == {round(result.offset_db, 3)}


def test_solo_is_ignored_and_said():
    result = plan(Session((Strip("a", tone(-9.0), solo=True), Strip("b", tone(-9.0, 331.0)))))
    assert not result.session.strip("a").solo
    assert any("solo" in warning for warning in result.warnings)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"policy": "guess"}, "'guess'"),
        ({"average": "peak"}, "'peak'"),
        ({"match": "ear"}, "'ear'"),
        ({"target_dbtp": "loud"}, "'loud'"),
        ({"fader_limit_db": -1}, "-1"),
    ],
)
def test_settings_that_make_no_sense_are_refused(arguments, said):
    with pytest.raises(GainlibError, match=said):
        plan(Session((Strip("a", tone(-9.0)),)), **arguments)


def test_numbers_of_any_kind_are_taken():
    session = Session((Strip("a", tone(-9.0), fader_db=-8.0),))
    wanted = plan(session, -7.0, peak_max_dbfs=-4.0, fader_limit_db=2.0)
    given = plan(session, np.float32(-7), peak_max_dbfs=np.int64(-4), fader_limit_db=np.float32(2))
    assert given.session == wanted.session


def test_every_move_names_its_strip_its_place_and_its_reason():
    result = plan(mix(4))
    assert result.moves
    for move in result.moves:
        assert move.place
        assert move.reason.startswith(move.strip)


def test_the_demo_session():
    session = demo_session(1, chains=True)
    result = plan(session)
    assert result.verification.passed, result.verification.missed
    assert all(abs(strip.fader_db) <= 3.0 for strip in result.session.strips if "shaker" not in strip.name)
    assert_relations_kept(session, result)


def test_one_bar_of_progress_goes_forward_from_beginning_to_end():
    noise = np.random.default_rng(1).uniform(-0.3, 0.3, (3, FRAMES, 1))
    strips = [Strip(str(k), Audio(each, RATE_HZ), inserts=(Saturation(),)) for k, each in enumerate(noise)]
    seen = []
    plan(Session([*strips, Strip("last", Audio(noise[0] * 0.1, RATE_HZ))]), progress=lambda *step: seen.append(step))
    done = [step[1] for step in seen]
    assert {step[2] for step in seen} == {15} and done == sorted(done) and (done[0], done[-1]) == (0, 15)
    assert list(dict.fromkeys(step[0] for step in seen)) == ["strips", "groups and bus", "verify"]
    assert max(after - before for before, after in pairwise(done)) <= 2, "it moves all the way"
