"""Lab 11, delivery: how loud a master leaves, in which order it is made, and what a player does to it."""

from functools import cache, cached_property
from itertools import permutations
from math import log10

import numpy as np
from scipy import signal

from gainlib.audio import Audio
from gainlib.exercises import Exercise, Matching, Number, Option, Order, Slip, draws, fill, grid, one_of
from gainlib.exercises.experiment import Choice, Experiment, Later, Listen, Picture, Plot, Sheet, Slider, Take
from gainlib.exercises.experiment import db_slider as db
from gainlib.exercises.handoff import KINDS, Prints, files_of, word_in_use
from gainlib.exercises.lab import Lab
from gainlib.exercises.masters import (
    CEILING_DBTP,
    CLIP,
    HANDED_LUFS,
    LIMIT,
    LOUD_MIXES,
    MIXES,
    OPEN,
    SAFE_DBTP,
    Figures,
    figures,
    file_of,
    gain_for,
    handed_in,
    held,
    moved,
    played_db,
    plr_db,
)  # fmt: skip
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.exercises.variants import pick, shuffled
from gainlib.exercises.worked import Worked
from gainlib.levels import ratio_to_db
from gainlib.meters import flat_runs, integrated_lufs, sample_peak_dbfs, true_peak_dbtp, upsample
from gainlib.processors import Limiter, Quantiser
from gainlib.words import Table, level_text, number_text

# ---------------------------------------------------------------------------------------------------- mixes and masters

HOLDERS = {OPEN: "nothing", CLIP: "clipping, sample by sample", LIMIT: "look-ahead limiter"}


class Delivered:
    """A mix, its master, the file, and another master of the same mix, as one setting makes them."""

    def __init__(self, setting):
        self.setting = s = setting
        self.key = s.sound, round(s.gain_db, 2), s.holder, round(s.ceiling_db, 2)
        self.other_key = s.sound, round(s.other_db, 2), LIMIT, round(s.ceiling_db, 2)
        self.mix, self.master, self.other = Figures(handed_in(s.sound)), figures(*self.key), figures(*self.other_key)

    @cached_property
    def file(self) -> tuple[bytes, Audio]:
        """The file, as bytes and as read."""
        return file_of(*self.key, int(self.setting.bits), self.setting.dither)

    def played(self, figures) -> float:
        """Return by how much the player moves a master."""
        return played_db(figures.loudness, figures.true_peak, self.setting.target, self.setting.up)


# ------------------------------------------------------------------------------------------------------------ the desk

SPAN, AROUND, GAINS = 40, 5, np.arange(0.0, 19.0, 3.0)


def _peak(audio):
    """Return the wave around the highest point between the samples, and the samples there; ms and values."""
    fine = upsample(audio.samples, audio.rate_hz)
    factor, (at, channel) = len(fine) // audio.frames, np.unravel_index(np.argmax(np.abs(fine)), fine.shape)
    around = np.arange(-SPAN, SPAN + 1)
    wave = fine[np.clip(at + around, 0, len(fine) - 1), channel] * np.sign(fine[at, channel])
    ms = around / (factor * audio.rate_hz) * 1000
    samples = [k for k in np.flatnonzero((at + around) % factor == 0) if abs(around[k]) <= AROUND * factor]
    return ms, [wave, np.ones(wave.size)], [(ms[k], wave[k]) for k in samples]


def _driven(run, progress):
    """Return loudness and peak-to-loudness ratio of the mix over the gain, or the orders; as the tab in front asks."""
    sound, _, holder, ceiling = run.seen.key
    if run.front == ORDERS:
        return run.front, _orders(run.seen.key, progress)
    if run.front != DRIVEN:
        return run.front, None
    found = []
    for k, gain in enumerate(GAINS):
        progress(k / len(GAINS), "Making masters …")
        found.append(figures(sound, float(gain), holder, ceiling))
    return run.front, [[f.loudness for f in found], [f.plr - 30.0 for f in found], [f.true_peak for f in found]]


def _later(front, show):
    return lambda run: show(run.found[1]) if run.found and run.found[0] == front and run.found[1] else None


def _orders(key, progress):
    """Return the figures of a 16-bit master made in five orders: name, true peak, loudness, error of the word."""
    sound, gain, _, ceiling = key
    mixed, limiter, word, bare = handed_in(sound), Limiter(ceiling), Quantiser(16, "tpdf"), Quantiser(16)
    right, rows = limiter.process(moved(mixed, gain)), []
    orders = {
        "gain, limit, dither and word": word.process(right),
        "limit, gain, dither and word": word.process(moved(limiter.process(mixed), gain)),
        "dither and word, gain, limit": limiter.process(moved(word.process(mixed), gain)),
        "gain, limit, word without dither": bare.process(right),
        "gain, limit, word, then 44.1 kHz": None,
    }
    for k, (name, made) in enumerate(orders.items()):
        progress(k / len(orders), "Making masters …")
        if made is None:
            made = right.with_samples(signal.resample_poly(right.samples, 147, 160))
            made = Audio(made.samples, 44100, "44.1 kHz")
        error = made.samples - right.samples if made.frames == right.frames and name[0] != "l" else None
        noise = "–" if error is None else level_text(20 * log10(np.sqrt(np.mean(error**2))))
        rows.append(
            (name, level_text(true_peak_dbtp(made), "dBTP", 2), level_text(integrated_lufs(made), "LUFS"), noise)
        )
    return rows


ORDERS, DRIVEN = "Order of the steps", "Loudness and limiting"
PEAK = {"names": ("between the samples", "full scale"), "x": (-0.21, 0.21, 0.1, "ms"), "title": "Around the highest "
    "peak",
        "y": (-1.5, 1.5, 0.5, "full scale = 1"), "marks": "sample", "digits": (2, 2)}  # fmt: skip
BARS = {"names": ("yours: loudness", "yours: true peak", "the other: loudness", "the other: true peak"),
    "low_db": -42.0,
        "high_db": 6.0, "step_db": 6, "title": "As played", "column": 0.22, "hot": True,
        "heading": "Two masters as a player plays them: ◇ = as they are"}  # fmt: skip
DRIVE = {"names": ("loudness (LUFS)", "PLR − 30 (dB)", "true peak (dBTP)"), "x": (0, 18, 3, "gain (dB)"),
         "y": (-30, 12, 6, "dB"), "title": "Over the gain", "digits": (0, 1)}  # fmt: skip


def _two(run):
    seen, levels, texts, start = run.seen, [], [], []
    for each in (seen.master, seen.other):
        by = seen.played(each)
        levels += [each.loudness + by, each.true_peak + by]
        texts += [level_text(each.loudness + by, "LUFS"), level_text(each.true_peak + by, "dBTP")]
        start += [each.loudness, each.true_peak]
    return levels, texts, start


PEAKS = Picture("Peaks", ("P",), {"P": Plot("curves", lambda run: _peak(held(*run.seen.key)), PEAK)})
PICTURES = (
    PEAKS, Picture(DRIVEN, ("D",), {"D": Plot("curves", _later(DRIVEN, lambda f: (GAINS, f)), DRIVE)}),
    Picture("Two masters, played", ("B",), {"B": Plot("meters", _two, BARS)}, margins={"left": 0.2}),
    Sheet(ORDERS, _later(ORDERS, lambda rows: Table("16 bit, in five orders", ORDER_HEADS, tuple(rows)))),
)  # fmt: skip
ORDER_HEADS = "order", "true peak", "loudness", "error of the word"


def _read_out(run):
    found = run.seen.mix, run.seen.master
    rows = [(name, *(level_text(getattr(each, field), unit) for each in found))
            for name, field, unit in READINGS]  # fmt: skip
    return Table("Meters", ("reading", "mix", "master"), tuple(rows))


READINGS = (
    ("loudness", "loudness", "LUFS"), ("true peak", "true_peak", "dBTP"), ("sample peak", "peak", "dBFS"),
)  # fmt: skip


def _told(run):
    seen = run.seen
    by, other = (level_text(seen.played(each)) for each in (seen.master, seen.other))
    said = f"The peaks come down by **{number_text(seen.master.reduction)} dB** at most. "
    said += f"A player set to {level_text(seen.setting.target, 'LUFS', 0)} moves yours by **{by}** and the other by "
    return (
        said
        + f"**{other}**; their peak-to-loudness ratios stay {level_text(seen.master.plr, sign=False)} and "
        + (f"{level_text(seen.other.plr, sign=False)}.")
    )


def _heard(run):
    seen = run.seen
    found = {"your master": (held(*seen.key), seen.master), "the other": (held(*seen.other_key), seen.other)}
    return {name: Audio(moved(audio, seen.played(each)).samples.astype(np.float32), audio.rate_hz)
            for name, (audio, each) in found.items()}  # fmt: skip


def _word(**more):
    words = {16.0: "16 bit", 24.0: "24 bit", 32.0: "32-bit float"}
    return Slider("bits", "Word", steps=tuple(words), start=32.0, unit="", words=words, **more)


def _dither(start=0.0):
    return Slider("dither", "Dither", steps=(0.0, 1.0), start=start, unit="", words={0.0: "none", 1.0: "triangular"},
                  off=lambda s: "floating point is not dithered" if s.bits == 32 else "")  # fmt: skip


TAKE = Take("Download the master (WAV)", lambda run: ("master.wav", run.seen.file[0]))
CARE = "Both masters as the player plays them. Clipped sound can destroy tweeters: turn down before you drive it."


@cache
def delivery() -> Experiment:
    """A mix made into a master, and played beside another one."""
    controls = (
        Choice("sound", "Mix", {name: name for name in MIXES}, "drums"), db("gain_db", "Gain", -12.0, 24.0, 6.0),
        Choice("holder", "Peaks held by", HOLDERS, LIMIT), db("ceiling_db", "Ceiling", -6.0, 0.0, -1.0),
        _word(), _dither(), Slider("target", "Player's target", -30.0, -8.0, 1.0, -16.0, "LUFS", decimals=0, page=5),
        Choice("up", "It turns", {False: "down only", True: "down, and up to −1 dBTP"}, True),
        db("other_db", "The other, gain", -12.0, 24.0, 12.0),
    )  # fmt: skip
    later = Later(_driven, lambda run, found: "", busy="Making masters …", lines=0, of_tab=True)
    return Experiment(
        controls, PICTURES, read=lambda run: Delivered(run.setting), told=_told, numbers=_read_out, later=later,
        take=TAKE, title="A master and its player", listen=Listen(_heard, lambda s: False, lambda s: CARE), lines=2,
    )  # fmt: skip


# ------------------------------------------------------------------------------------- what an exercise sets and reads

UNITS, NAMED = ("LUFS", "dBTP", "dBFS"), ("loudness", "true peak", "sample peak")


def _bars(names, read, start=lambda run: (), heading="As it is"):
    """Return a picture of levels; `read(run)` has one a name: loudness, true peak, sample peak, or pairs of two."""

    def shown(run):
        levels = read(run)
        texts = [
            level_text(each, UNITS[k % len(levels) if len(levels) < 4 else k % 2], 2) for k, each in enumerate(levels)
        ]
        return levels, texts, start(run)

    bars = BARS | {"names": names, "title": heading.partition(":")[0], "heading": heading}
    return Picture("Meters", ("M",), {"M": Plot("meters", shown, bars)}, margins={"left": 0.17})


def _two_mixes(g):
    """Return the desk on which two mixes are moved by gain alone, and how far each is over its nearer limit."""

    def read(run):
        levels = [g[f"lufs_{which}"] + run.setting[f"gain_{which}"] for which in "ab"]
        return [(level, level + plr_db(g[f"mix_{which}"])) for level, which in zip(levels, "ab", strict=True)]

    names = tuple(f"{which}: {what}" for which in "AB" for what in NAMED[:2])
    picture = _bars(names, lambda run: [each for pair in run.seen[0] for each in pair], lambda run: [g["t"],
        g["p"]] * 2,
                    "Two mixes: ◇ = limits")  # fmt: skip

    def seen(run):
        found = read(run)
        return found, [max(level - g["t"], peak - g["p"]) for level, peak in found]

    return Experiment((db("gain_a", "A, gain", -24.0, 24.0), db("gain_b", "B, gain", -24.0, 24.0)), (picture,),
        read=seen,
                      title="Two mixes, gain alone")  # fmt: skip


ALONE = SetAndMeasure(_two_mixes, None, tuple(
    Aim(f"{name} over its nearer limit", lambda run, k=k: run.seen[1][k], 0.0, 0.1, decimals=2, points=1)
    for k, name in enumerate("AB")
), "gain of A, gain of B", points=2, tabled=lambda run, g: Table("Result", ("reading", "measured", "wanted"), tuple(
    (f"{name}: {what}", level_text(level, unit, 2), f"at most {level_text(g[most], unit, 0)}")
    for name, pair in zip("AB", run.seen[0], strict=True)
    for what, level, unit, most in zip(NAMED, pair, UNITS, "tp", strict=False))))  # fmt: skip


def _alone(g, limits="tp"):
    """Return the gains that reach the nearer limit, or one of them."""
    gains = {}
    for which in "ab":
        level = g[f"lufs_{which}"]
        over = {"t": level - g["t"], "p": level + plr_db(g[f"mix_{which}"]) - g["p"]}
        gains[f"gain_{which}"] = float(np.clip(-max(over[each] for each in limits), -24, 24))
    return ALONE.moved(g, **gains)


def _split(g):
    """Whether loudness binds one of the two mixes and true peak the other, by enough."""
    over = [plr_db(g[f"mix_{which}"]) - (g["p"] - g["t"]) for which in "ab"]
    return over[0] * over[1] < 0 and min(map(abs, over)) > 0.7


def _three(g):
    """Return loudness and true peak of A, B and C: one loud, one with no room above it, one soft with room."""
    loud = figures(g["mix_loud"], float(g["gain_loud"]))
    tight = g["peak_tight"] - plr_db(g["mix_tight"]), g["peak_tight"]
    free = g["t"] - g["up"], g["t"] - g["up"] + plr_db(g["mix_free"])
    found = {"loud": (loud.loudness, loud.true_peak), "tight": tight, "free": free}
    return {kind: tuple(round(each, 2) for each in found[kind]) for kind in g["order"].split()}


def _as_read(g):
    masters = dict(zip("ABC", _three(g).values(), strict=True))
    picture = _bars(NAMED[:2], lambda run: list(masters[run.setting.master]), heading="A master: as it is")
    names = {name: f"master {name}" for name in masters}
    return Experiment((Choice("master", "Master", names, turns=True),), (picture,), title="Three masters")


def _player(g, **only):
    """Return the player's gains; with `only` those a wrong rule gives for some kinds, None elsewhere."""
    found = []
    for kind, (level, peak) in _three(g).items():
        right = played_db(level, peak, g["t"])
        found.append(right if not only else only[kind](level, peak, right) if kind in only else None)
    return found


def _fair_player(g):
    three = _three(g)
    (loud, _), (tight, peak), (free, room) = (three[kind] for kind in ("loud", "tight", "free"))
    want = g["t"] - tight
    return (
        loud - g["t"] > 1 and want - max(0.0, -1 - peak) > 1 and abs(want + peak) > 0.6 and
            free + g["up"] < g["t"] + 0.1
        and room + g["up"] < -1.3
    )  # fmt: skip


def _files(g):
    files = files_of(g)

    def numbers(run):
        audio = files[run.setting.file]
        rows = (
            ("sample peak", level_text(sample_peak_dbfs(audio), "dBFS")), ("loudness",
                level_text(integrated_lufs(audio), "LUFS")),
            ("flat tops", str(flat_runs(audio))), ("word in use", word_in_use(audio)),
        )  # fmt: skip
        return Table("Meters", ("reading", f"file {run.setting.file}"), rows)

    names = {name: f"file {name}" for name in files}
    picture = Picture("Peaks", ("P",), {"P": Plot("curves", lambda run: _peak(files[run.setting.file]), PEAK)})
    return Experiment(
        (Choice("file", "File", names, turns=True),), (picture,), numbers=numbers, title="Five hand-off files"
    )


def _squeezed(g):
    """Return the desk on which a mix is seen behind a limiter and behind a clipper."""
    names = {OPEN: "the mix as it is", LIMIT: "limiter", CLIP: "clipper"}

    def read(run):
        own = run.setting.holder
        return figures(g["mix"], 0.0 if own == OPEN else float(g["gain"]), own)

    picture = _bars(NAMED, lambda run: [run.seen.loudness, run.seen.true_peak, run.seen.peak], heading="Meters")
    return Experiment(
        (Choice("holder", "Behind", names, turns=True),), (picture,), read=read, title="A mix, held twice"
    )


def _loss(g, field="plr"):
    """Return by how much the ratio of peak to loudness falls behind the limiter and behind the clipper."""
    mixed, *held = (figures(g["mix"], 0.0 if each == OPEN else float(g["gain"]), each) for each in (OPEN, LIMIT, CLIP))
    ratio = {"plr": lambda f: f.plr, "sample": lambda f: f.peak - f.loudness, "peak": lambda f: f.true_peak,
             "loudness": lambda f: -f.loudness}[field]  # fmt: skip
    return [ratio(mixed) - ratio(each) for each in held]


# --------------------------------------------------------------------------------------- a master to a drawn target

WORDS_DB = {bits: 20 * log10(2.0 ** (1 - bits)) - 10 * log10(4) for bits in (16, 24)}


class Made:
    """The file of a master as it is set, and what is measured of it."""

    def __init__(self, g, setting):
        self.key = g["mix"], round(setting.gain_db + g["handed"] - HANDED_LUFS, 2), LIMIT, round(setting.ceiling_db, 2)
        self.file = file_of(*self.key, int(setting.bits), setting.dither > 0)
        self.made, audio = figures(*self.key), self.file[1]
        self.loudness, self.true_peak, self.bits = integrated_lufs(audio), true_peak_dbtp(audio), setting.bits
        error = audio.samples - held(*self.key).samples
        self.error_db = float(ratio_to_db(np.sqrt(np.mean(error**2))))


def _master(g):
    def heard(run):
        return {"mix": moved(handed_in(g["mix"]), g["handed"] - HANDED_LUFS), "master": run.seen.file[1]}

    controls = db("gain_db", "Gain", -12.0, 24.0), db("ceiling_db", "Ceiling", -6.0, 0.0, 0.0), _word(), _dither()
    listen = Listen(lambda run: {n: a.with_samples(a.samples.astype(np.float32)) for n, a in heard(run).items()},
                    note=lambda s: CARE.partition(". ")[2])  # fmt: skip
    peaks = Picture("Peaks", ("P",), {"P": Plot("curves", lambda run: _peak(run.seen.file[1]), PEAK)})
    return Experiment(controls, (peaks,), read=lambda run: Made(g, run.setting), take=TAKE, listen=listen,
                      title="Your master, as a file")  # fmt: skip


def _word_db(g):
    return WORDS_DB[g["word"]]


MASTER = SetAndMeasure(_master, None, (
    Aim("loudness of the file", lambda run: run.seen.loudness, lambda g: g["t"], 0.3, unit="LUFS", points=1.5),
    Aim("true peak of the file", lambda run: run.seen.true_peak, at_most=CEILING_DBTP, unit="dBTP", decimals=2,
        points=1),
    Aim("largest reduction", lambda run: run.seen.made.reduction, at_most=lambda g: g["most"], points=0.5),
    Aim("word of the file", lambda run: run.seen.bits, lambda g: g["word"], unit="bit", decimals=0, points=0.5),
    Aim("error of the word", lambda run: run.seen.error_db, _word_db, 1.0, points=0.5),
), "gain, ceiling, word, dither", points=4)  # fmt: skip


def _mastered(g, ceiling=SAFE_DBTP, by_db=0.0, dither=1.0):
    gain = gain_for(g["mix"], g["t"]) - (g["handed"] - HANDED_LUFS) + by_db
    return MASTER.moved(
        g, gain_db=float(np.clip(gain, -12, 24)), ceiling_db=ceiling, bits=float(g["word"]), dither=dither
    )


def _target(rng):
    """Return a target, and the most reduction that reaches it with 0.7 dB to spare."""
    g = TARGETS(rng)
    found = figures(g["mix"], gain_for(g["mix"], g["t"]), LIMIT, SAFE_DBTP)
    return {**g, "most": max(1.0, np.ceil(2 * (found.reduction + 0.7)) / 2)}


TARGETS = draws(
    mix=one_of(*LOUD_MIXES), t=one_of(-23, -18, -17, -16, -15), handed=grid(-26, -18, 0.5), word=one_of(16, 24)
)


class Targets:
    """The draw of a target that can be met."""

    def __call__(self, rng):
        """Return the target with the most reduction allowed."""
        return _target(rng)

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn."""
        return TARGETS.holds(given) and 1.0 <= given["most"] <= 12.0


# -------------------------------------------------------------------------------------------------------- the exercises

R128 = "EBU R 128: −23.0 LUFS, true peak at most −1 dBTP (standard)"
OTHERS = "Other targets: common practice, no source"
BS1770 = "Loudness and true peak: ITU-R BS.1770-5, Annexes 1 and 2 (standard)"
GAINS_ADD = "A gain moves loudness and true peak alike: handbook formula"


def _stand(*wrong):
    """Return what recognises gains that stand where a wrong rule puts them."""
    return lambda a, g: any(all(abs(a["desk"][n] - v) < 0.15 for n, v in w(g)["desk"].items()) for w in wrong)


GAIN = Exercise(
    id="11-1", title="Gain alone", parts=(ALONE.part(),),
    given=draws(mix_a=one_of(*MIXES), mix_b=one_of(*MIXES), lufs_a=grid(-26, -18, 0.5), lufs_b=grid(-26, -18, 0.5),
                t=one_of(-18, -17, -16, -15, -14), p=one_of(-1, -2), where=_split),
    statement="Two mixes are to be delivered with gain alone: at most {t} LUFS and at most {p} dBTP. Bring each as far "
        "up, or down, as both limits allow: to its nearer limit, ± 0.1 dB.",
    solve=_alone,
    slips=(
        Slip("loudness only", lambda g: _alone(g, "t"), "You brought both to the loudness. One of them has its true "
            "peak over the limit there.", spots=_stand(lambda g: _alone(g, "t"))),
        Slip("true peak only", lambda g: _alone(g, "p"), "You brought both to the true peak. One of them is too loud "
            "there.", spots=_stand(lambda g: _alone(g, "p"))),
    ),
    hints=("A gain moves both readings by the same number of dB.", "How far is each reading from its limit? The "
        "smaller way counts."),
    explain=lambda g: " ".join(fill(
        "{name}: {level} LUFS and {peak:.2f} dBTP; {t} − ({level}) = {way:+.2f} dB, {p} − ({peak:.2f}) = {room:+.2f} "
        "dB; the smaller is {gain:+.2f} dB.",
        {"name": w.upper(), "level": g[f"lufs_{w}"], "peak": g[f"lufs_{w}"] + plr_db(g[f"mix_{w}"]), "t": g["t"],
         "p": g["p"], "way": g["t"] - g[f"lufs_{w}"], "room": g["p"] - g[f"lufs_{w}"] - plr_db(g[f"mix_{w}"]),
         "gain": _alone(g)["desk"][f"gain_{w}"]}) for w in "ab"),
    cites=(GAINS_ADD, R128, OTHERS),
)  # fmt: skip

PLAYED = Exercise(
    id="11-2", title="What the player does",
    parts=tuple(Number(f"Gain of the player for {name}", "dB", tolerance=0.15, read_off=True) for name in "ABC"),
    given=draws(order=one_of(*map(" ".join, permutations(("loud", "tight", "free")))), t=one_of(-18, -16, -14),
                mix_loud=one_of(*LOUD_MIXES), gain_loud=grid(8, 18), mix_tight=one_of(*LOUD_MIXES),
                peak_tight=grid(-4, -0.2, 0.2), mix_free=one_of("song", "ballad"), up=grid(2, 7, 0.5),
                    where=_fair_player),
    statement="A player normalises to {t} LUFS. It turns down as far as it must, and up only as long as the true peak "
        "stays at or under −1 dBTP; it never turns a soft master down. Read the three masters on the desk. By how much "
        "does it move each?",
    solve=_player,
    slips=(
        Slip("target minus loudness", lambda g: _player(g, tight=lambda level, peak, right: g["t"] - level), "You "
            "turned up as far as the target asks. The true peak would go over −1 dBTP."),
        Slip("never up", lambda g: _player(g, free=lambda level, peak, right: 0.0), "This player turns up as well, as "
            "long as the true peak allows."),
        Slip("loudness minus target", lambda g: _player(g, loud=lambda level, peak, right: -right,
            free=lambda level, peak, right: -right), "You turned the sign: it is the target minus the loudness."),
        Slip("up to 0 dBTP", lambda g: _player(g, tight=lambda level, peak, right: -peak), "You let the true peak go "
            "up to 0 dBTP. The player stops at −1."),
    ),
    hints=("Target minus loudness: is it up or down?", "If it is up: how much room is there to −1 dBTP?"),
    explain=lambda g: " ".join(fill(
        "{name}: {t} − ({level:.2f}) = {want:+.2f} dB, with {room:.2f} dB of room to −1 dBTP, so {gain:+.2f} dB.",
        {"name": name, "t": g["t"], "level": level, "want": g["t"] - level, "room": -1 - peak,
         "gain": played_db(level, peak, g["t"]) + 0.0}) for name, (level, peak) in zip("ABC", _three(g).values(),
             strict=True)),
    cites=(BS1770, "Targets and rules of players: common practice, no source"),
)  # fmt: skip

HANDED = Exercise(
    id="11-3", title="Five hand-off files",
    parts=(Matching("What do you do with each?", points=2, options=tuple(Option(*each) for each in KINDS.items()),
                    items=tuple(Option(name, f"file {name}") for name in "ABCDE")),),
    given=Prints(),
    statement="Five mixes arrive to be mastered. Measure each on the desk, then say what to do with it. A kind may "
        "come more than once, or not at all.",
    solve=lambda g: dict(zip("ABCDE", g["kinds"], strict=True)),
    slips=(
        Slip("over is clipped", lambda g: {n: "clipped" if k in ("over", "clipped") else k
            for n, k in zip("ABCDE", g["kinds"], strict=True)}, "Over full scale is not clipped: floating point keeps "
                "the tops, and turning down brings them back. Look for flat tops."),
        Slip("under full scale is whole", lambda g: {n: "fine" if k == "clipped" else k
            for n, k in zip("ABCDE", g["kinds"], strict=True)}, "A file that was clipped and then turned down has flat "
                "tops under full scale."),
        Slip("16 bit is low", lambda g: {n: "low" if w == 16 else k
            for n, k, w in zip("ABCDE", g["kinds"], g["words"], strict=True)}, "Sixteen bits that are filled lose next "
                "to nothing. They are too few where the peak is far down."),
    ),
    hints=("Are there peaks over full scale? What word is in use?", "Flat tops stay flat when a file is turned down.",
           "How many steps does a 16-bit file use whose peaks are at −48 dBFS?"),
    explain=lambda g: "; ".join(
        f"{name}: peak {level_text(sample_peak_dbfs(audio), 'dBFS')}, {flat_runs(audio)} flat tops, "
        f"{word_in_use(audio)}: "
        f"{KINDS[kind]}" for (name, audio), kind in zip(files_of(g).items(), g["kinds"], strict=True)) + ".",
    cites=("Levels of a hand-off: common practice, no source",), material=lambda g: next(iter(files_of(g).values())),
)  # fmt: skip

STEPS = {
    "eq": "equalise", "gain": "set the gain", "rate": "convert the sample rate", "limit": "limit the true peak",
    "check": "measure the true peak", "dither": "add dither", "word": "shorten the word",
}  # fmt: skip


def _in_order(order):
    """Whether an order of steps is right: what moves peaks before the limiter, dither once, just before the word."""
    at = {step: k for k, step in enumerate(order)}
    return (
        all(at[each] < at["limit"] for each in ("eq", "gain", "rate") if each in at)
        and at["limit"] < at["check"] and at["limit"] < at["dither"] and at["word"] == at["dither"] + 1
    )  # fmt: skip


def _orders_of(g):
    return [list(each) for each in permutations(g["steps"]) if _in_order(each)]


class Steps:
    """The draw of six or seven steps, shuffled, out of order."""

    def __call__(self, rng):
        """Return the steps as they are shown, None where they already are in order."""
        left_out = pick(rng, ("eq", "gain", "rate"))
        steps = shuffled(rng, [each for each in STEPS if each != left_out])
        given = {"steps": steps, "rate": pick(rng, (44.1, 96)), "bits": pick(rng, (16, 24))}
        return given if self.holds(given) else None

    def holds(self, given: dict) -> bool:
        """Whether this could be drawn."""
        steps = given["steps"]
        whole = len(steps) == 6 == len(set(steps)) and set(STEPS) - set(steps) <= {"eq", "gain", "rate"}
        return whole and not _in_order(steps) and given["bits"] in (16, 24) and given["rate"] in (44.1, 96)


def _wrong_order(g, *moves):
    """Return the right order with some steps taken to another place."""
    order = next(iter(_orders_of(g)))
    for step, place in moves:
        order.remove(step)
        order.insert(place if isinstance(place, int) else order.index(place) + 1, step)
    return order


ORDERED = Exercise(
    id="11-4", title="In which order?",
    parts=(Order("Order of the steps", points=2, options=lambda g: tuple(Option(k, STEPS[k]) for k in g["steps"]),
                 accepted=_orders_of),),
    given=Steps(),
    statement="A mix in 32-bit float becomes a {bits}-bit master. Put the steps in order, so that its true peak is "
        "where the limiter put it, and its error is that of one dithered rounding. More than one order may be right.",
    solve=lambda g: _orders_of(g)[0],
    slips=(
        Slip("dither first", lambda g: _wrong_order(g, ("dither", 0)), "Dither belongs just before the word gets "
            "shorter: every step between raises or lowers it, and brings new rounding."),
        Slip("word before limiting", lambda g: _wrong_order(g, ("dither", 0), ("word", 1)), "The word gets shorter "
            "last. All that you do to a short word is rounded again."),
        Slip("limit first", lambda g: _wrong_order(g, ("limit", 0)), "What comes behind the limiter moves the peaks "
            "again: gain, equaliser and converting the rate belong ahead of it."),
    ),
    hints=("Which steps move peaks? They come before the limiter.", "Dither once, and right before what?"),
    explain="Gain, equaliser and rate conversion move peaks, so they come before the limiter, in any order. The true "
        "peak is measured behind the limiter, or last, on the finished file. Dither comes right before the word is "
        "shortened, and nothing is done to the levels behind it.",
    cites=("Dither once, with the last rounding: Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992",),
)  # fmt: skip

SQUEEZED = Exercise(
    id="11-5", title="What limiting takes",
    parts=tuple(Number(f"Loss behind the {name}", "dB", tolerance=0.2, read_off=True) for name in ("limiter",
        "clipper")),
    given=draws(mix=one_of(*LOUD_MIXES), gain=grid(7, 13, 0.1)),
    statement="The peak-to-loudness ratio is true peak minus loudness. The mix is raised by {gain} dB and held at −1 "
        "dBFS by a look-ahead limiter, and by a clipper. How much of the ratio is lost behind each? Write losses as "
        "positive numbers.",
    solve=_loss,
    slips=(
        Slip("sample peak", lambda g: [None, _loss(g, "sample")[1]], "You took the sample peak. Behind a clipper, the "
            "true peak goes higher.", active=lambda g: abs(_loss(g, "sample")[1] - _loss(g)[1]) > 0.6),
        Slip("sign", lambda g: [-each for each in _loss(g)], "You turned the sign: a loss is the ratio before minus "
            "the ratio behind."),
        Slip("loudness alone", lambda g: _loss(g, "loudness"), "You took the change of loudness alone. The true peak "
            "has changed too.", active=lambda g: min(abs(a - b) for a, b in zip(_loss(g, "loudness"), _loss(g),
                strict=True))
             > 0.6),
    ),
    hints=("Work out the ratio three times: of the mix, behind the limiter, behind the clipper.", "The **true** peak "
           "counts. By how much is it over the sample peak?"),
    explain=lambda g: fill(
        "Mix: {mix:.2f} dB. Limiter: {limit:.2f} dB, a loss of {a:.2f} dB. Clipper: {clip:.2f} dB, a loss of {b:.2f} "
        "dB.",
        {"mix": plr_db(g["mix"]), "limit": figures(g["mix"], float(g["gain"])).plr, "a": _loss(g)[0],
         "clip": figures(g["mix"], float(g["gain"]), CLIP).plr, "b": _loss(g)[1]}),
    cites=(BS1770, "Peak-to-loudness ratio: common practice, no source"),
)  # fmt: skip

MADE = Exercise(
    id="11-6", title="A master to its target", parts=(MASTER.part(),), given=Targets(),
    statement="Make a {word}-bit master of this mix: {t} LUFS ± 0.3 LU, true peak at most −1 dBTP, the limiter turning "
        "down by at most {most} dB, and the word shortened with dither. The file is written, read back and measured; "
        "you can take it away.",
    solve=_mastered,
    slips=(
        Slip("no dither", lambda g: _mastered(g, dither=0.0), "The loudness is right, but the word was shortened "
            "without dither: its error follows the sound.", spots=MASTER.spots(True, True, None, True, False)),
        Slip("ceiling at 0", lambda g: _mastered(g, ceiling=0.0), "You left the ceiling at 0 dBTP.", spots=lambda a, g:
            a["desk"]["ceiling_db"] > -0.5, active=lambda g: g["t"] > -17),
    ),
    hints=("Gain first, until the loudness is right.", "The limit is on the true peak. If the file goes over, lower "
        "the ceiling by as much.", "More limiting needs more gain for the same loudness."),
    explain=lambda g: fill(
        "A ceiling of {ceiling} dBTP leaves room for the last hundredths. The mix comes at {handed} LUFS; with "
        "{gain:+.1f} dB of gain the limiter turns down by {reduction:.1f} dB at most, and the file reads "
        "{loudness:.2f} LUFS. One rounding to {word} bits with dither leaves {error:.1f} dB.",
        {**g, "ceiling": SAFE_DBTP, "gain": _mastered(g)["desk"]["gain_db"], "error": _word_db(g),
         "reduction": figures(g["mix"], gain_for(g["mix"], g["t"]), LIMIT, SAFE_DBTP).reduction,
         "loudness": figures(g["mix"], gain_for(g["mix"], g["t"]), LIMIT, SAFE_DBTP).loudness}),
    cites=(R128, OTHERS, "Noise of dithered rounding, q²/4: Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992"),
    material=lambda g: handed_in(g["mix"]),
)  # fmt: skip

# ------------------------------------------------------------------------------------------------------------- the lab

CHOICES = {1: "the one that was made louder", 0: "both alike", -1: "the one that was made softer"}


def compare() -> tuple[str, str, Table]:
    """Return two masters of one mix, a soft and a loud one, as a player plays them."""
    made, rows = [figures("drums", gain) for gain in (8.0, 18.0)], []
    played = [each.loudness + played_db(each.loudness, each.true_peak, -16.0) for each in made]
    for name, each, level in zip(("made softer", "made louder"), made, played, strict=True):
        rows.append((name, level_text(each.loudness, "LUFS"), level_text(level, "LUFS"),
                     level_text(level + each.plr, "dBTP"), level_text(each.plr, sign=False)))  # fmt: skip
    outcome = CHOICES[int(np.sign(round(played[1] - played[0], 1)))]
    lost = level_text(made[0].plr - made[1].plr, sign=False)
    sentence = (
        f"Both play at {level_text(played[1], 'LUFS')}. What is left of the louder making is **{lost}** less peak."
    )
    heads = "master", "made at", "played at", "peaks reach", "peak to loudness"
    return outcome, sentence, Table("One mix, two masters, a player at −16 LUFS", heads, tuple(rows))


WORKED = Worked(
    "A master reads −19.0 LUFS and −2.5 dBTP. A player normalises to −16 LUFS and turns up only to −1 dBTP. How loud "
    "does it play?",
    ("The target asks for −16 − (−19.0) = +3.0 dB.", "That is up, so look at the peak: there is −1 − (−2.5) = 1.5 dB "
        "of room.", "The smaller one counts: the player turns up by 1.5 dB."),
    Number("Loudness as played", "LUFS", tolerance=0.05), -17.5, "−19.0 + 1.5 = −17.5 LUFS.",
)  # fmt: skip

LAB = Lab(
    "Delivery: hand-off and master", "How loud should it leave, and what happens to it then?", 70,
    "two lessons of 45 minutes", (GAIN, PLAYED, HANDED, ORDERED, SQUEEZED, MADE), {"delivery": delivery},
    tasks={"11-1": ALONE, "11-2": _as_read, "11-3": _files, "11-5": _squeezed, "11-6": MASTER}, compare=compare,
    worked=WORKED,
)  # fmt: skip
