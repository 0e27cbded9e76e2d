"""Lab 10, routing: where the level goes when paths part and meet again."""

from functools import cache, cached_property

import numpy as np
import scipy

from gainlib.audio import Audio
from gainlib.exercises import Choice as Pick
from gainlib.exercises import Exercise, Number, Slip, draws, grid, kept_by, one_of
from gainlib.exercises.experiment import Choice, Experiment, ListenToMix, Picture, Plot, Slider, db_slider, picture
from gainlib.exercises.lab import Drawn, Lab, Worked
from gainlib.exercises.refrain import refrain
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.exercises.stems import bar, short_name
from gainlib.levels import db_to_ratio, ratio_to_db, sum_levels_db
from gainlib.processors import Compressor, Delay, Polarity, Reverb
from gainlib.session import Group, Insert, Send, Session, Strip
from gainlib.session.routing import pan_pair
from gainlib.words import Table, level_text, number_text

# ---------------------------------------------------------------------------------- one track, several paths to the bus

ROOM, ECHO, COMPRESSOR = Reverb(0.6, 0.0, dry=False), Delay(0.3125), Compressor(-24.0, 4.0, attack_s=0.005)
CLOSED, OPEN, INVERTED = 0.0, 1.0, -1.0
IMPULSE, LINES, BLOCK_S, NOTCHES = Audio(np.eye(1, 8192).T, 48000), 2**17, 0.05, 5
BOXES = {
    "track/source": ("source", 0, 2), "track/trim": ("trim", 1, 2), "track/post": ("pre-fader", 2, 2),
    "track/send room": ("send, pre", 3, 3), "track/out": ("fader, pan", 3, 2), "track/send echo": ("send, post", 4, 0),
    "parallel/out": ("parallel", 4, 1), "group/in": ("sum", 5, 2), "group/out": ("group", 6, 2),
    "room/out": ("room", 6, 3), "echo/out": ("echo", 6, 0), "bus": ("bus", 7, 2),
}  # fmt: skip
WAYS = (
    ("track/source", "track/trim", "track/post", "track/out", "group/in", "group/out", "bus"),
    ("track/out", "parallel/out", "group/in"),
    ("track/post", "track/send room", "room/out", "bus"),
    ("track/out", "track/send echo", "echo/out", "bus"),
)
PLACES = {
    "trim_db": ("track", "trim_db"), "fader_db": ("track", "fader_db"), "angle": ("track", "pan", 1 / 45, -1.0),
    "room_db": ("track", "send room level_db"), "echo_db": ("track", "send echo level_db"),
    "polarity": (("parallel", "polarity", {CLOSED: 1, OPEN: 1, INVERTED: -1}),
                 ("parallel", "mute", {CLOSED: True, OPEN: False, INVERTED: False})),
    "delay_ms": ("parallel", "insert 1 time_s", 0.001), "parallel_db": ("parallel", "fader_db"),
    "compressed": ("group", "insert 1 bypass", {False: True, True: False}), "group_db": ("group", "fader_db"),
}  # fmt: skip


def _track(sound, pan_law_db=-3.0):
    """Return a track with a pre-fader send to a room, a post-fader send to an echo, and two paths into its group."""
    sends, late = (Send("room", -12.0, "pre"), Send("echo", -12.0)), (Delay(), Insert(Polarity(), bypass=True))
    groups = (
        Group("parallel", inserts=late, mute=True, to="group"), Group("room", inserts=ROOM),
        Group("echo", inserts=ECHO), Group("group", inserts=Insert(COMPRESSOR, bypass=True)),
    )  # fmt: skip
    return Session((Strip("track", sound, sends=sends, to=("group", "parallel")),), groups, pan_law_db=pan_law_db)


def routed(sound, pan_law_db=-3.0, **moved) -> Session:
    """Return that session with some of its controls moved, by their names on the desk."""
    return routing().put(_track(sound, pan_law_db), moved)


class Ways:
    """What is read of such a session, each on demand."""

    def __init__(self, session: Session):
        self.session, self.trace = session, session.render()

    @cached_property
    def levels(self) -> dict[str, float]:
        """RMS in dBFS at every box, and around the compressor."""
        found = self.trace.levels([*BOXES, "group/insert 1/in", "group/insert 1/out"], ("rms",))
        return {node: reading.rms_dbfs for node, reading in found.items()}

    def over(self, node: str, other: str = "track/out") -> float:
        """Return by how much one node is louder than another; only what these two need is run."""
        found = self.trace.levels([node, other], ("rms",))
        return found[node].rms_dbfs - found[other].rms_dbfs

    @cached_property
    def correlation(self) -> tuple[np.ndarray, float]:
        """Of the two paths that meet: in blocks of 50 ms, and of the whole; NaN where either is silent."""
        audios, length = self.trace.audios(["track/out", "parallel/out"]), round(BLOCK_S * self.session.rate_hz)
        a, b = (each.samples.reshape(-1, 2 * length) for each in audios.values())
        products = np.array([(x * y).sum(axis=1) for x, y in ((a, b), (a, a), (b, b))])
        with np.errstate(invalid="ignore", divide="ignore"):
            return tuple(each[0] / np.sqrt(each[1] * each[2]) for each in (products, products.sum(axis=1)))

    @cached_property
    def comb(self) -> tuple[np.ndarray, np.ndarray]:
        """Frequencies, and the sum over the direct path in dB, measured with an impulse through the session."""
        found = self.session.with_("track", audio=IMPULSE).render().audios(["track/out", "group/in"])
        one, both = (np.abs(np.fft.rfft(each.samples.sum(axis=1), LINES)[:-1]) for each in found.values())
        return np.fft.rfftfreq(LINES, 1 / IMPULSE.rate_hz)[:-1], ratio_to_db(both / one)

    @cached_property
    def notches(self) -> list[tuple[float, float]]:
        """Frequency and level of the lowest few minima of the comb that lie under the direct path."""
        hz, db = self.comb
        low = (db < np.append(np.inf, db[:-1])) & (db < np.append(db[1:], -np.inf)) & (db < -0.05)
        return [(float(hz[k]), float(db[k])) for k in np.flatnonzero(low)[:NOTCHES]]


# ------------------------------------------------------------------------------------------------------------ the desk

SOUNDS = {stem: short_name(stem) for stem in ("05 bass", "02 snare", "06 guitar", "09 lead vocal")}
SENT = {"room_db": "Send, pre", "echo_db": "Send, post"}


def _against_rho(run):
    levels, rho = [run.seen.levels[node] for node in ("track/out", "parallel/out")], run.seen.correlation[1]
    rhos = 2.0 * np.linspace(0.0, 1.0, 41) ** 2 - 1.0  # closer where the curve is steep
    sums = [sum_levels_db(levels, each) - levels[0] for each in rhos]
    return rhos, [sums], [(rho, run.seen.over("group/in"))] if np.isfinite(rho) else []


TIME = {"x": (0, 2.5, 0.5, "time (s)"), "y": (-1, 1, 0.5, "ρ"), "digits": (2, 2)}
OVER, RHO = {"title": "Sum over the direct path"}, {"x": (-1, 1, 0.25, "correlation (ρ)"), "digits": (2, 2)}
GRAPH = picture("Levels on the routing graph", "routing", lambda run: (run.seen.levels,), boxes=BOXES, ways=WAYS,
                margins={"left": 0.01, "bottom": 0.02, "top": 0.92})  # fmt: skip
MEETING = Picture("Two paths that meet", ("T", "R"), {
    "T": Plot("curves", lambda run: (np.arange(0.025, 2.5, BLOCK_S), [run.seen.correlation[0]]),
              {"names": ("in 50 ms",), "title": "Correlation of the two paths", **TIME}),
    "R": Plot("curves", _against_rho, {"names": ("formula",), "marks": "measured", **OVER, **RHO})})  # fmt: skip
COMB = picture("Comb", "curves", lambda run: (run.seen.comb[0], [run.seen.comb[1]], run.seen.notches), **OVER,
               names=("both paths",), marks="notch", hertz=True, digits=(0, 1), y=(-36, 12, 6, "dB"))  # fmt: skip


def _told(run):
    s, seen = run.setting, run.seen
    told = [*ratio_to_db(pan_pair(s.angle / 45 - 1, s.pan_law_db, 1)), seen.over("room/out"), seen.over("echo/out")]
    said = "Pan: left {}, right {}. Over the dry sound: room **{}**, echo **{}**. ".format(*map(level_text, told))
    if s.polarity == CLOSED:
        return said + "The parallel path is closed."
    rho, gained = number_text(seen.correlation[1], 2, signed=True), level_text(seen.over("group/in"), decimals=2)
    said += f"The two paths meet with ρ = {rho}; their sum is **{gained}** over the direct path alone"
    return said + (f"; the lowest notch is at {number_text(seen.notches[0][0], 0)} Hz." if seen.notches else ".")


SILENT = {"room": {"mute": True}, "echo": {"mute": True}}
DIRECT = {"parallel": {"mute": True}, "group": {"fader_db": 0.0, "inserts": ()}}
HEARD = ListenToMix(
    matched=lambda s: s.get("matched", False), note=lambda s: "You hear one bar. Turn down before you raise a gain.",
    views={"direct path": DIRECT | SILENT, "both paths": SILENT, "bus": {}},
)  # fmt: skip


def _faders(off=lambda setting: "", **starts):
    labels = {name: SENT.get(name, name.removesuffix("_db").capitalize()) for name in starts}
    return [db_slider(name, labels[name], -40.0, 12.0, float(start), off=off) for name, start in starts.items()]


def _delay(start, **more):
    return Slider("delay_ms", "Delay", 0.0, 20.0, 0.01, start, "ms", home=0.0, page=0.5, decimals=2, **more)


@cache
def routing() -> Experiment:
    """A track whose paths part and meet again."""
    closed = {"off": lambda s: "the parallel path is closed" if s.polarity == CLOSED else ""}
    ways = {CLOSED: "closed", OPEN: "open, polarity normal", INVERTED: "open, polarity inverted"}
    laws = {law: f"{number_text(law)} dB in the centre" for law in (0.0, -3.0, -4.5, -6.0)}
    controls = (
        Choice("sound", "Sound", SOUNDS), *_faders(trim_db=0, fader_db=0, room_db=-12, echo_db=-12),
        Choice("pan_law_db", "Pan law", laws, -3.0),
        Slider("angle", "Pan angle", 0.0, 90.0, 1.0, 45.0, "°", page=9.0, decimals=0),
        Choice("polarity", "Parallel path", ways), _delay(6.0, **closed), *_faders(**closed, parallel_db=0),
        Choice("compressed", "Compressor", {False: "none in the group", True: "in the group"}), *_faders(group_db=0),
        Choice("matched", "Player", {False: "levels as they are", True: "matched in loudness"}),
    )  # fmt: skip
    return Experiment(
        controls, (GRAPH, MEETING, COMB), lambda s: _track(bar(s.sound), s.pan_law_db), lambda run: Ways(run.session),
        told=_told, listen=HEARD, title="One track, several paths to the bus", places=PLACES,
    )  # fmt: skip


# ----------------------------------------------------------------------------------------------- what an exercise sets


def _task(g, controls, pictures=(GRAPH,), compressed=False, **fixed):
    """Return an experiment whose readings are compared with those of the track before."""
    first, now = (routed(bar(g["stem"]), compressed=compressed, **moved) for moved in (_before(g), fixed))
    return Experiment(
        tuple(controls), pictures, now, lambda run: Ways(run.session), listen=HEARD, before=first,
        title=f"{short_name(g['stem'])}, several paths to the bus",
        places=PLACES | {"polarity": ("parallel", "polarity")},
    )  # fmt: skip


def _before(g):
    return {f"{name}_db": float(g[name]) for name in ("fader", "room", "echo") if name in g}


CHANGE = {"within": 0.05, "decimals": 2, "points": 1, "change": True}


def _lower(name, node):
    return Aim(f"{name} against before", lambda run: run.seen.levels[node], lambda g: -g["x"], **CHANGE)


def _kept(name, node, other="group/out"):
    return Aim(f"{name}, change", lambda run: run.seen.levels[node] - run.seen.levels[other], 0.0, **CHANGE)


SENDS = SetAndMeasure(
    lambda g: _task(g, _faders(**_before(g)), trim_db=g["t"]), None,
    (_lower("dry sound", "track/out"), _lower("room", "room/out"), _lower("echo", "echo/out")),
    "fader and sends", points=3,
)  # fmt: skip


def _sends(g, room=1, echo=0, trim=1):
    down = g["x"] + trim * g["t"]
    return SENDS.moved(g, fader_db=g["fader"] - down, room_db=g["room"] - room * down, echo_db=g["echo"] - echo * down)


def _under(g):
    """Return by how many dB the parallel path lies under the direct path for a notch of that depth."""
    return -float(ratio_to_db(1 - db_to_ratio(-g["D"])))


@kept_by("stem", "f", "D", most=512)
def _matching(g, rho=None):
    """Return the group's gain for a match: measured, or what one expects of that correlation."""
    if rho is not None:
        return -sum_levels_db([0.0, -_under(g)], rho)
    comb = {"polarity": OPEN, "delay_ms": round(500 / g["f"], 2), "parallel_db": round(-_under(g), 2)}
    return -Ways(routed(bar(g["stem"]), **comb)).over("group/in")


def _combed(g):
    words = {INVERTED: "inverted", OPEN: "normal"}
    polarity = Slider("polarity", "Polarity", steps=tuple(words), start=INVERTED, unit="", words=words)
    faders = _faders(parallel_db=-18, group_db=g["group"])
    return _task(g, (polarity, _delay(1.0), *faders), (COMB, GRAPH), polarity=OPEN)


NOTCH = SetAndMeasure(_combed, None, (
    Aim("lowest notch", lambda run: next((hz for hz, _ in run.seen.notches), None), lambda g: g["f"], 2.0, unit="Hz",
        decimals=0, points=1.5),
    Aim("level in it", lambda run: next((db for _, db in run.seen.notches), None), lambda g: -g["D"], 0.5, points=1),
    Aim("group over the direct path", lambda run: run.seen.over("group/out"), 0.0, 0.1, decimals=2, points=1.5),
), "polarity, delay, parallel and group", points=4)  # fmt: skip


def _notch(g, periods=0.5, polarity=OPEN, rho=None):
    values = {"polarity": polarity, "delay_ms": 1000 * periods / g["f"], "parallel_db": -_under(g)}
    return NOTCH.moved(g, group_db=_matching(g, rho), **values)


LOWER = SetAndMeasure(
    lambda g: _task(g, _faders(**_before(g) | {"fader_db": g["fader"] - g["x"], "group_db": 0}), compressed=True), None,
    (_lower("dry sound", "group/out"), _kept("reduction", "group/insert 1/in", "group/insert 1/out"),
     _kept("room over dry sound", "room/out"), _kept("echo over dry sound", "echo/out")),
    "fader, sends and group", points=4,
)  # fmt: skip


def _lowered(g, **left):
    right = {"fader_db": g["fader"], "group_db": -g["x"], "room_db": g["room"] - g["x"], "echo_db": g["echo"] - g["x"]}
    return LOWER.moved(g, **{**right, **left})


# ---------------------------------------------------------------------------------------------- what an exercise reads

DRUMS = {"02 snare": "snare", "04 toms": "toms"}
STEREO = {"07 e-piano": "e-piano", "08 pad": "pad", "10 backing": "backing"}
LATE = one_of(*(round(sign * each / 10, 1) for sign in (-1, 1) for each in range(3, 31)))


def _stem(stem, g):
    """Return a stem as it was handed in."""
    samples = np.array(refrain(stem).samples, np.float64)
    if stem in DRUMS:
        samples = np.roll(samples, round(48 * g[f"{DRUMS[stem]}_ms"]), axis=0)
        samples *= -1 if g["inverted"] in (stem, "both") else 1
    elif g["dual"] == stem:
        samples = samples.mean(axis=1, keepdims=True).repeat(2, axis=1)
    samples[:, 1:] *= -1 if g["one_side"] == stem else 1
    return Audio(samples, 48000, stem)


@kept_by("one_side", "dual")
def _sides(made):
    """Return how left and right of each stereo stem correlate."""
    pairs = {name: _stem(stem, made).samples.T for stem, name in STEREO.items()}
    return {name: round(float(a @ b / np.sqrt(a @ a * (b @ b))), 2) for name, (a, b) in pairs.items()}


def _cross(stem):
    """Return lags to 8 ms and the correlation of the overheads with a stem, both folded to mono."""
    ours, theirs = (each.samples.mean(axis=1) for each in (stem, refrain("03 overheads")))
    found = scipy.signal.correlate(theirs, ours, method="fft")[ours.size - 385 : ours.size + 384]
    return np.arange(-384, 385) / 48, [found / np.sqrt(ours @ ours * (theirs @ theirs))]


def _against(g):
    axes = {"x": (-8, 8, 1, "the overheads are later by (ms)"), "y": (-0.4, 0.4, 0.1, "ρ"), "digits": (2, 2)}
    shown = {"names": ("ρ",), "title": "Correlation with the overheads", **axes}
    return Experiment(
        (Choice("stem", "Stem", DRUMS | STEREO),),
        (picture("Correlation", "curves", lambda run: _cross(run.audio("stem/source")), **shown),),
        session=lambda s: Session((Strip("stem", _stem(s.stem, g)),)), title="Stems as delivered",
    )  # fmt: skip


HANDED_IN = Drawn(
    draws(
        inverted=one_of(*DRUMS, "both", "neither"), snare_ms=LATE, toms_ms=LATE, dual=one_of(*STEREO, "none"),
        one_side=one_of("07 e-piano", "10 backing", "none"), where=lambda g: g["one_side"] != g["dual"],
    ),
    _sides, tuple((name, f"{name}, left against right", "") for name in STEREO.values()),
    experiment=_against, caption="Correlation (ρ)",
)  # fmt: skip


def _other(g, *turned):
    """Return the option in which these drums are judged the other way round."""
    found = [stem for stem in DRUMS if (g["inverted"] in (stem, "both")) != (stem in turned)]
    return ("neither", *found, "both")[len(found) + (len(found) == 2)]


# -------------------------------------------------------------------------------------------------------- the exercises

SUM, GAINS = "Sum of two signals with correlation ρ: handbook formula", "Gains in series add in dB: handbook formula"


def _apart(by, key, *wrong):
    """Whether no wrong answer comes near the right one in any part."""
    return all(abs(a - b) > by for each in wrong for a, b in zip(key, each, strict=True))


def _panned(g, times=20):
    """Return left and right at the first angle, and the change of the left."""
    first, second = (np.radians(g[name]) for name in ("a", "b"))
    return [times * float(np.log10(ratio)) for ratio in (np.cos(first), np.sin(first), np.cos(second) / np.cos(first))]


def _swapped(g):
    return _panned({"a": 90 - g["a"], "b": 90 - g["b"]})


def _linear(g):
    return [float(ratio_to_db(each)) for each in (1 - g["a"] / 90, g["a"] / 90, (90 - g["b"]) / (90 - g["a"]))]


def _sum(g, rho=None):
    return sum_levels_db([g["a"], g["b"]], g["r"] if rho is None else rho)


PANNED = Exercise(
    id="10-1", title="Two angles of a pan",
    parts=tuple(Number(label, "dB", tolerance=0.05) for label in ("Left at {a}°", "Right at {a}°", "Left, change")),
    given=draws(a=grid(15, 75), b=grid(15, 75), where=lambda g: abs(g["a"] - g["b"]) >= 10
                and _apart(0.2, _panned(g), _panned(g, 10), _swapped(g), _linear(g))),
    statement="A sine/cosine pan gives a mono track cos θ on the left, sin θ on the right; 0° is left, 90° right. What "
        "is the gain of each side at {a}°? Then the pan moves to {b}°: by how much does the left change?",
    solve=_panned,
    slips=(
        Slip("sides swapped", _swapped, "You swapped the sides: at 0° all is on the left, so the left is the cosine."),
        Slip("ten for twenty", lambda g: _panned(g, 10), "Sine and cosine are amplitudes: 20·log₁₀, not 10·log₁₀."),
        Slip("linear law", _linear, "You used a linear law, the angle over 90°. This one is a sine and a cosine."),
    ),
    hints=("At 45° both sides have −3 dB. Which is louder at {a}°?", "A change is the new gain minus the old one."),
    explain="Left: 20·log₁₀(cos {a}°) = {key[0]:.3f} dB. Right: 20·log₁₀(sin {a}°) = {key[1]:.3f} dB. Left at {b}°: "
        "{new:.3f} dB, a change of {key[2]:+.3f} dB.", terms=lambda g: {"new": sum(_panned(g)[::2])},
    cites=("Sine/cosine pan law: common practice, no standard fixes one",),
)  # fmt: skip

SEND = Exercise(
    id="10-2", title="A track lower, its effects with it", parts=(SENDS.part(),),
    given=draws(stem=one_of("02 snare", "06 guitar", "09 lead vocal"), x=grid(3, 9, 0.5), t=grid(-5, 5, 0.5),
        fader=grid(-4, 4, 0.5), room=grid(-12, -4, 0.5), echo=grid(-12, -4, 0.5),
        where=lambda g: abs(g["t"]) >= 1 and g["x"] + g["t"] >= 1),
    statement="This track was right. Then its trim moved by {t:+.1f} dB, and it stays there. Bring the dry sound, the "
        "room (a send ahead of the fader) and the echo (a send behind it) each to {x} dB **lower than they were**.",
    solve=_sends,
    slips=(
        Slip("pre-fader send forgotten", lambda g: _sends(g, room=0), "The room is fed ahead of the fader and did not "
             "follow it: move its send by as much as the fader.", spots=SENDS.spots(True, False, True)),
        Slip("post-fader send moved as well", lambda g: _sends(g, echo=1), "The echo moved twice: its send is behind "
             "the fader and follows it by itself.", spots=SENDS.spots(True, True, False)),
        Slip("trim forgotten", lambda g: _sends(g, trim=0), "You forgot that the trim has moved all three already."),
    ),
    hints=("What follows the trim, and what the fader?", "Set the dry sound first. What do the effects do meanwhile?"),
    explain="The trim moved all three by {t:+.1f} dB, so all come down by {x} + ({t}) = {down:g} dB. Fader: {fader} − "
        "{down:g} = {key[desk][fader_db]:g} dB; the echo follows. Send to the room: {room} − {down:g} = "
        "{key[desk][room_db]:g} dB.", terms=lambda g: {"down": g["x"] + g["t"]},
    cites=(GAINS,), material=lambda g: bar(g["stem"]),
)  # fmt: skip

MET = Exercise(
    id="10-3", title="Two paths meet", parts=(Number("Level of the sum", "dBFS", tolerance=0.1, points=2),),
    given=draws(a=grid(-30, -12, 0.5), b=grid(-30, -12, 0.5), r=grid(-0.9, 0.9, 0.1),
        where=lambda g: abs(g["r"]) >= 0.2 and abs(g["a"] - g["b"]) <= 9 and _apart(0.3, [_sum(g)],
            [_sum(g, 0) + 10 * np.log10(1 + g["r"])], [max(g["a"], g["b"]) + 3])), edition=2,
    statement="One sound arrives by two paths, at {a} and {b} dBFS RMS, with ρ = {r}. What does their sum read?",
    solve=_sum,
    slips=(
        Slip("unrelated", lambda g: _sum(g, 0), "You took ρ = 0, as for unrelated sounds: the last term is missing."),
        Slip("copies", lambda g: _sum(g, 1), "You took ρ = 1, as for one wave twice. These agree in part."),
        Slip("sign of ρ", lambda g: _sum(g, -g["r"]), "You turned the sign of ρ: above zero the two add up, below zero "
             "they cancel."),
    ),
    hints=("Turn both levels into powers, 10^(L/10). For unrelated sounds you would add these.",
           "The last term is twice ρ times both amplitudes, 10^(L/20) each.",
           "Does ρ raise the sum here, or lower it?"),
    explain="10·log₁₀(10^({a}/10) + 10^({b}/10) + 2 × ({r}) × 10^(({a} + ({b}))/20)) = {key:.3f} dBFS. Unrelated "
        "sounds would give {none:.2f} dBFS, and copies {full:.2f} dBFS.",
    terms=lambda g: {"none": _sum(g, 0), "full": _sum(g, 1)}, cites=(SUM,),
)  # fmt: skip

HOLE = Exercise(
    id="10-4", title="Put a hole where it is asked for", parts=(NOTCH.part(),),
    given=draws(stem=one_of(*SOUNDS), f=grid(50, 200, 10), D=one_of(6, 9, 12), group=grid(-9, -5, 0.5),
        where=lambda g: _apart(0.5, [_matching(g)], [_matching(g, 0)], [_matching(g, 1)])),
    statement="A parallel path meets the direct path. Set its polarity, delay and level so that the lowest notch of "
        "their sum is at {f} Hz ± 2 Hz and {D} dB deep, ± 0.5 dB. Then set the group, behind the sum, so that both "
        "paths together are as loud as the direct path alone, ± 0.1 dB.",
    solve=_notch,
    slips=(
        Slip("polarity left", lambda g: _notch(g, polarity=INVERTED), "With inverted polarity, the paths cancel at 0 "
             "Hz, and the lows are gone. A lowest notch further up needs normal polarity.",
             spots=lambda a, g: a["desk"]["polarity"] < 0),
        Slip("whole period", lambda g: _notch(g, periods=1), "You delayed by a whole period, after which the paths "
             "agree again. They cancel after half a period."),
        Slip("matched as copies", lambda g: _notch(g, rho=1), "You set the group as if for copies in phase. Behind a "
             "delay, the paths agree only in part: measure the sum."),
        Slip("matched as powers", lambda g: _notch(g, rho=0), "You set the group as if for unrelated sounds. These two "
             "are related: measure the sum."),
    ),
    hints=("How long is half a period of {f} Hz?",
           "A notch is a difference: how far below the direct path must the parallel path be?",
           "Match last: everything ahead of it changes the sum."),
    explain="Half a period is 1000/(2 × {f}) = {key[desk][delay_ms]:.2f} ms. 1 − 10^(−p/20) = 10^(−{D}/20) gives p = "
        "{under:.2f} dB, so the parallel path goes to −{under:.2f} dB. The sum measures {gained:+.2f} dB over the "
        "direct path, so the group goes to {match:+.2f} dB. Copies in phase would need {copies:+.2f} dB.",
    terms=lambda g: {"under": _under(g), "gained": -_matching(g), "match": _matching(g), "copies": _matching(g, 1)},
    cites=("Notches behind a delay τ: f = (2k + 1)/(2τ), handbook formula", SUM), material=lambda g: bar(g["stem"]),
)  # fmt: skip

UPSIDE = Exercise(
    id="10-5", title="Which stem is inverted?",
    parts=(Pick("Inverted against overheads", options=DRUMS | {"both": "both", "neither": "neither"}, read_off=True),
           Pick("One side inverted", options=STEREO | {"none": "none of them"}),
           Pick("Dual mono: both sides the same", options=STEREO | {"none": "none of them"})),
    given=HANDED_IN,
    statement="You see how each stem correlates with the overheads, which pick up snare and toms, earlier or later, "
        "and its left with its right. Which drums are inverted, which stem has one side inverted, which is dual mono?",
    solve=lambda g: [g["inverted"], g["one_side"], g["dual"]],
    slips=(
        Slip("side peak", lambda g: [_other(g, "04 toms"), None, None], "You took a side peak of the toms. Look for "
             "the largest peak of all, up or down; its sign is the polarity."),
        Slip("sign turned", lambda g: [_other(g, *DRUMS), None, None], "You turned the sign: a main peak that points "
             "down means inverted."),
        Slip("sides mixed up", lambda g: [None, g["dual"], g["one_side"]], "You mixed them up: ρ = +1 is dual mono, "
             "near −1 one side is inverted."),
    ),
    hints=("A delay moves the peak but does not invert it. Which way does the largest peak point?",
           "What is ρ if both sides are the same, and what is it if one of two similar sides is inverted?"),
    explain="Main peak: snare {snare:+.2f}, toms {toms:+.2f}; below zero means inverted. Left against right: e-piano "
        "{e-piano:+.2f}, pad {pad:+.2f}, backing {backing:+.2f}; well below zero, one side is inverted; at +1, both "
        "are the same; and around 0, a sound is simply wide.",
    terms=lambda g: {name: max(_cross(_stem(stem, g))[1][0], key=abs) for stem, name in DRUMS.items()},
    cites=("Sign of the main correlation peak: common practice, no source",), material=lambda g: refrain("02 snare"),
)  # fmt: skip

LOWERED = Exercise(
    id="10-6", title="Lower the mix and keep it", parts=(LOWER.part(),),
    given=draws(stem=one_of("01 kick", "05 bass", "09 lead vocal"), x=grid(3, 6, 0.5), fader=grid(-2, 4, 0.5),
        room=grid(-14, -6, 0.5), echo=grid(-14, -6, 0.5)),
    statement="This mix is a track, its group with a compressor, a room and an echo. It has to be {x} dB lower, and "
        "the master is locked. Someone pulled the fader down by {x} dB, which made another mix. Finish the job: bring "
        "the dry sound to {x} dB lower than before, and keep the compressor's reduction and the levels of room and "
        "echo over the dry sound as before; all ± 0.05 dB.",
    solve=_lowered,
    slips=(
        Slip("fader into the group moved", lambda g: _lowered(g, fader_db=g["fader"] - g["x"], group_db=0),
             "The fader is ahead of the compressor and changes what it does. Put it back and move the **output** of "
             "the group.", spots=LOWER.spots(None, False, None, None)),
        Slip("sends forgotten", lambda g: _lowered(g, room_db=g["room"], echo_db=g["echo"]),
             "Both effects branch off ahead of the group and do not follow its output, so move their sends.",
             spots=LOWER.spots(True, True, False, False)),
        Slip("pre-fader send forgotten", lambda g: _lowered(g, room_db=g["room"]),
             "The room did not follow: its send follows neither the fader nor the group.",
             spots=LOWER.spots(True, True, False, True)),
    ),
    hints=("A threshold is a level. Which fader is ahead of the compressor, and which behind it?",
           "What follows the output of the group by itself, and what does not?"),
    explain="Set the fader back to {fader:g} dB, so that the compressor gets what it got before, and the group to "
        "−{x:g} dB. Neither effect follows the group: send to the room {room} − {x} = {key[desk][room_db]:g} dB, to "
        "the echo {echo} − {x} = {key[desk][echo_db]:g} dB.",
    cites=(GAINS, "A gain behind a compressor does not change its reduction: handbook formula"),
    material=lambda g: bar(g["stem"]),
)  # fmt: skip

# ------------------------------------------------------------------------------------------------------------- the lab

CHOICES = {6.0: "about 6 dB", 3.0: "about 3 dB", 0.0: "hardly at all", -np.inf: "they cancel: silence"}


def compare() -> tuple[str, str, Table]:
    """Return what a bass gains where it meets itself, some milliseconds late."""
    rows = []
    for late_ms in (0.0, 1.0, 3.0, 9.0, 6.0):
        seen = routing().at(routing().setting(polarity=OPEN, delay_ms=late_ms)).seen
        gained, rho = seen.over("group/in"), min(1.0, seen.correlation[1])
        values = rho, gained, sum_levels_db([0.0, 0.0], rho)
        rows.append((number_text(late_ms, 0), *(number_text(each, 2, signed=True) for each in values)))
    outcome = CHOICES[min(CHOICES, key=lambda about: abs(about - gained))]
    sentence = f"At 6 ms the sum is **{level_text(gained, decimals=2)}** over one path alone. Levels say how much of "
    sentence += "each path there is; whether the two add up or cancel depends on their correlation."
    heads = "late by (ms)", "ρ", "sum, measured (dB)", "sum, by the formula (dB)"
    return outcome, sentence, Table("A bass and itself, later", heads, tuple(rows))


WORKED = Worked(
    "A guitar reaches its group by two paths, each at −20 dBFS RMS. One is late, and their correlation is ρ = 0.3. To "
    "what does the group go so that both together are as loud as one alone?",
    ("Each path has the power 10^(−20/10) = 0.01. For unrelated sounds the sum would be 0.02, that is +3 dB.",
     "These agree in part, so there is a third term: 2 × 0.3 × 10^((−20 − 20)/20) = 0.006. The sum is 0.026.",
     "Over one path that is 10·log₁₀(0.026/0.01) = 10·log₁₀ 2.6 = +4.15 dB."),
    Number("Output of the group", "dB", tolerance=0.05), -4.15,
    "The group takes off what the second path has added: −4.15 dB. Copies in phase would have needed −6 dB.",
)  # fmt: skip

LAB = Lab(
    "Routing: sends, groups, pan law, polarity", "Where does the level go when paths split and meet again?", 70,
    "two lessons of 45 minutes", (PANNED, SEND, MET, HOLE, UPSIDE, LOWERED), {"routing": routing},
    tasks={"10-2": SENDS, "10-4": NOTCH, "10-5": HANDED_IN, "10-6": LOWER}, compare=compare, worked=WORKED,
)  # fmt: skip
