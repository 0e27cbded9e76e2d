"""Lab 11, delivery: how loud a master leaves, in which order it is made, and what a player does to it."""

from functools import cache

import numpy as np

from gainlib.exercises import Exercise, Matching, Number, Order, Slip, draws, fill, grid, one_of
from gainlib.exercises import masters as m
from gainlib.exercises.experiment import Choice, Experiment, Later, Listen, Picture, Plot, Sheet, Slider, Take
from gainlib.exercises.experiment import db_slider as db
from gainlib.exercises.lab import Lab, Worked
from gainlib.exercises.masters import CLIP, LIMIT, OPEN, SAFE_DBTP, both, figures, moves
from gainlib.exercises.set_and_measure import Aim, SetAndMeasure
from gainlib.meters import flat_runs, integrated_lufs, sample_peak_dbfs
from gainlib.words import Table, level_text, number_text

# ------------------------------------------------------------------------------------------------------------ the desk

UNITS, NAMED = ("LUFS", "dBTP", "dBFS"), ("loudness", "true peak", "sample peak")
ORDERS, DRIVEN, GAINS = "Order of the steps", "Loudness and limiting", np.arange(0.0, 19.0, 3.0)
HOLDERS = {OPEN: "nothing", CLIP: "clipping, sample by sample", LIMIT: "look-ahead limiter"}


class Delivered:
    """A mix, its master and another master of it, as one setting makes them."""

    def __init__(self, setting):
        self.setting, self.mix = setting, m.Figures(m.handed_in(setting.sound))
        sound, ceiling = setting.sound, setting.ceiling_db
        self.master = m.Master(sound, setting.gain_db, setting.holder, ceiling, setting.bits, setting.dither > 0)
        self.other = m.Master(sound, setting.other_db, LIMIT, ceiling)

    def played(self, master) -> float:
        """Return by how much the player moves a master."""
        found = master.figures
        return m.played_db(found.loudness, found.true_peak, self.setting.target, self.setting.up)


def _later_work(run, progress):
    """Return what the tab in front asks for: figures over the gain, or those of the orders."""
    sound, gain, holder, ceiling = run.seen.master.key
    progress(0.1, "Making masters …")
    if run.front == ORDERS:
        return run.front, m.in_five_orders(sound, gain, ceiling)
    found = [figures(sound, float(each), holder, ceiling) for each in GAINS] if run.front == DRIVEN else []
    return run.front, [[f.loudness for f in found], [f.plr - 30.0 for f in found], [f.true_peak for f in found]]


def _when(front, show):
    return lambda run: show(run.found[1]) if run.found and run.found[0] == front else None


def _order_table(found):
    rows = tuple(
        (order, level_text(peak, "dBTP", 2), level_text(loudness, "LUFS"), "–" if error is None else level_text(error))
        for order, (peak, loudness, error) in found.items()
    )
    return Table("16 bit, in five orders", ("order", "true peak", "loudness", "error of the word"), rows)


PEAK = {"names": ("between the samples", "full scale"), "x": (-0.21, 0.21, 0.1, "ms"), "marks": "sample",
        "y": (-1.5, 1.5, 0.5, "full scale = 1"), "title": "Around the highest peak", "digits": (2, 2)}  # fmt: skip
BARS = {"low_db": -42.0, "high_db": 6.0, "step_db": 6, "column": 0.22, "hot": True}
DRIVE = {"names": ("loudness (LUFS)", "PLR − 30 (dB)", "true peak (dBTP)"), "x": (0, 18, 3, "gain (dB)"),
         "y": (-30, 12, 6, "dB"), "title": "Over the gain", "digits": (0, 1)}  # fmt: skip


def _peaks(of):
    """Return a picture of the highest peak of what `of(run)` returns."""

    def shown(run):
        ms, wave, samples = m.around_peak(of(run))
        return ms, [wave, np.ones(wave.size)], samples

    return Picture("Peaks", ("P",), {"P": Plot("curves", shown, PEAK)})


def _meters(names, heading, read, start=lambda run: (), left=0.17, title="Meters", **more):
    """Return a picture of levels; `read(run)` has one a name: loudness, true peak, sample peak, or pairs of two."""

    def shown(run):
        levels = read(run)
        units = UNITS if len(levels) == 3 else UNITS[:2] * len(levels)
        return levels, [level_text(each, unit, 2) for each, unit in zip(levels, units, strict=False)], start(run)

    bars = BARS | {"names": names, "title": heading.partition(":")[0], "heading": heading}
    return Picture(title, ("M",), {"M": Plot("meters", shown, bars)}, margins={"left": left}, **more)


def _two(run, played=True):
    pairs = [(each.figures, run.seen.played(each) if played else 0.0) for each in (run.seen.master, run.seen.other)]
    return [level + by for found, by in pairs for level in (found.loudness, found.true_peak)]


TWO = tuple(f"{whose}: {what}" for whose in ("yours", "the other") for what in NAMED[:2])
PICTURES = (
    _peaks(lambda run: run.seen.master.audio),
    Picture(DRIVEN, ("D",), {"D": Plot("curves", _when(DRIVEN, lambda found: (GAINS, found)), DRIVE)}),
    _meters(TWO, "As played: ◇ = as made", _two, lambda run: _two(run, False), 0.2, "Two masters, played",
            after_prediction=True),
    Sheet(ORDERS, _when(ORDERS, _order_table)),
)  # fmt: skip


def _read_out(run):
    pairs = ((each.loudness, each.true_peak, each.peak) for each in (run.seen.mix, run.seen.master.figures))
    texts = [[level_text(level, unit) for level, unit in zip(each, UNITS, strict=True)] for each in pairs]
    return Table("Meters", ("reading", "mix", "master"), tuple(zip(NAMED, *texts, strict=True)))


def _told(run):
    seen, both = run.seen, (run.seen.master, run.seen.other)
    by, other = (level_text(seen.played(each)) for each in both)
    said = f"The peaks come down by **{number_text(seen.master.figures.reduction)} dB** at most. A player set to "
    said += f"{level_text(seen.setting.target, 'LUFS', 0)} moves yours by **{by}** and the other by **{other}**; their "
    mine, theirs = (level_text(each.figures.plr, signed=False) for each in both)
    return f"{said}peak-to-loudness ratios stay {mine} and {theirs}."


def _floats(**sounds):
    """Return sounds as a player takes them, by their names."""
    return {name.replace("_", " "): each.with_samples(each.samples.astype(np.float32)) for name, each in sounds.items()}


def _heard(run):
    mine, other = (m.moved(each.audio, run.seen.played(each)) for each in (run.seen.master, run.seen.other))
    return _floats(your_master=mine, the_other=other)


def _take(of):
    return Take("Download the master (WAV)", lambda run: ("master.wav", of(run).file[0]))


def _switch(name, label, words, start, **more):
    return Slider(name, label, steps=tuple(words), start=start, unit="", words=words, **more)


GAIN_AND_CEILING = db("gain_db", "Gain", -12.0, 24.0, 0.0), db("ceiling_db", "Ceiling", -6.0, 0.0, 0.0)
WORD_AND_DITHER = (
    _switch("bits", "Word", {16.0: "16 bit", 24.0: "24 bit", 32.0: "float"}, 32.0),
    _switch("dither", "Dither", {0.0: "none", 1.0: "triangular"}, 0.0, off=lambda s: "not in float" * (s.bits == 32)),
)
CARE = "Clipped sound can destroy tweeters: turn down before you drive it."


@cache
def delivery() -> Experiment:
    """A mix made into a master, and played beside another one."""
    controls = (
        Choice("sound", "Mix", {name: name for name in m.MIXES}, "drums"), db("gain_db", "Gain", -12.0, 24.0, 6.0),
        Choice("holder", "Peaks held by", HOLDERS, LIMIT), db("ceiling_db", "Ceiling", -6.0, 0.0, -1.0),
        *WORD_AND_DITHER, Slider("target", "Player's target", -30.0, -8.0, 1.0, -16.0, "LUFS", decimals=0, page=5),
        Choice("up", "It turns", {False: "down only", True: "down, and up to −1 dBTP"}, True),
        db("other_db", "The other, gain", -12.0, 24.0, 12.0),
    )  # fmt: skip
    return Experiment(
        controls, PICTURES, read=lambda run: Delivered(run.setting), told=_told, numbers=_read_out, lines=2,
        take=_take(lambda run: run.seen.master),
        later=Later(_later_work, lambda run, found: "", busy="Making masters …", lines=0, of_tab=True),
        listen=Listen(_heard, lambda s: False, lambda s: f"Both masters as the player plays them. {CARE}",
                      after_prediction=True), title="A master and its player",
    )  # fmt: skip


# ------------------------------------------------------------------------------------- what an exercise sets and reads


def _two_mixes(g):
    """Return the desk on which two mixes move by gain alone: loudness, true peak, how far over the nearer limit."""

    def read(run):
        moved = [[each + run.setting[f"gain_{w}"] for each in pair] for w, pair in zip("ab", both(g), strict=True)]
        return [(level, peak, max(level - g["t"], peak - g["p"])) for level, peak in moved]

    names = tuple(f"{which}: {what}" for which in "AB" for what in NAMED[:2])
    picture = _meters(names, "Two mixes: ◇ = limits", lambda run: [each for found in run.seen for each in found[:2]],
                      lambda run: [g["t"], g["p"]] * 2)  # fmt: skip
    controls = db("gain_a", "A, gain", -24.0, 24.0), db("gain_b", "B, gain", -24.0, 24.0)
    return Experiment(controls, (picture,), read=read, title="Two mixes, gain alone")


def _limits(run, g):
    """Return the readings and the limits, but not how far there is to go."""
    rows = tuple(
        (f"{name}: {what}", level_text(level, unit, 2), f"at most {level_text(most, unit, 0)}")
        for name, found in zip("AB", run.seen, strict=True)
        for what, level, unit, most in zip(NAMED, found[:2], UNITS, (g["t"], g["p"]), strict=False)
    )
    return Table("Result", ("reading", "measured", "wanted"), rows)


ALONE = SetAndMeasure(_two_mixes, None, tuple(
    Aim(f"{name} over its nearer limit", lambda run, k=k: run.seen[k][2], 0.0, 0.1, decimals=2, points=1)
    for k, name in enumerate("AB")
), "gain of A, gain of B", points=2, tabled=_limits)  # fmt: skip


def _alone(g, loudness=True, peak=True):
    """Return the gains that reach the nearer limit, or one of them."""
    ways = [([g["t"] - level] * loudness) + ([g["p"] - top] * peak) for level, top in both(g)]
    return ALONE.moved(g, **{f"gain_{w}": float(np.clip(min(way), -24, 24)) for w, way in zip("ab", ways, strict=True)})


def _turned_to(name, things, picture, **more):
    """Return a desk that only turns from one thing to the next, each by what it is called."""
    return Experiment((Choice(name, name.capitalize(), things, turns=True),), (picture,), **more)


def _as_read(g):
    found = dict(zip("ABC", m.three(g).values(), strict=True))
    picture = _meters(NAMED[:2], "The master: as it is", lambda run: list(found[run.setting.master]))
    return _turned_to("master", {name: f"master {name}" for name in found}, picture, title="Three masters")


def _files(g):
    files = m.files_of(g)

    def numbers(run):
        audio = files[run.setting.file]
        levels = level_text(sample_peak_dbfs(audio), "dBFS"), level_text(integrated_lufs(audio), "LUFS")
        rows = zip(("sample peak", "loudness", "flat tops", "word in use"),
                   (*levels, str(flat_runs(audio)), m.word_in_use(audio)), strict=True)  # fmt: skip
        return Table("Meters", ("reading", f"file {run.setting.file}"), tuple(rows))

    names, picture = {name: f"file {name}" for name in files}, _peaks(lambda run: files[run.setting.file])
    return _turned_to("file", names, picture, numbers=numbers, title="Five hand-off files")


def _behind(g, holder):
    return figures(g["mix"], 0.0 if holder == OPEN else float(g["gain"]), holder)


def _squeezed(g):
    """Return the desk on which a mix is seen behind a limiter and behind a clipper."""
    picture = _meters(NAMED, "Meters", lambda run: [run.seen.loudness, run.seen.true_peak, run.seen.peak])
    behind = {OPEN: "nothing: the mix", LIMIT: "the limiter", CLIP: "the clipper"}
    read = {"read": lambda run: _behind(g, run.setting.behind), "title": "A mix, held twice"}
    return _turned_to("behind", behind, picture, **read)


def _loss(g, ratio=lambda f: f.plr):
    """Return by how much the ratio of peak to loudness falls behind the limiter and behind the clipper."""
    return [ratio(_behind(g, OPEN)) - ratio(_behind(g, each)) for each in (LIMIT, CLIP)]


# --------------------------------------------------------------------------------------- a master to a drawn target


def _master(g):
    raised = g["handed"] - m.HANDED_LUFS
    mixed = m.moved(m.handed_in(g["mix"]), raised)

    def read(run):
        s = run.setting
        return m.Master(g["mix"], s.gain_db + raised, LIMIT, s.ceiling_db, s.bits, s.dither > 0)

    return Experiment(
        (*GAIN_AND_CEILING, *WORD_AND_DITHER), (_peaks(lambda run: run.seen.file[1]),), read=read,
        take=_take(lambda run: run.seen), title="Your master, as a file",
        listen=Listen(lambda run: _floats(mix=mixed, master=run.seen.file[1]), note=lambda s: CARE),
    )  # fmt: skip


MASTER = SetAndMeasure(_master, None, (
    Aim("loudness of the file", lambda run: run.seen.read.loudness, lambda g: g["t"], 0.3, unit="LUFS", points=1.5),
    Aim("true peak of the file", lambda run: run.seen.read.true_peak, at_most=-1.0, unit="dBTP", decimals=2, points=1),
    Aim("largest reduction", lambda run: run.seen.figures.reduction, at_most=lambda g: g["most"], points=0.5),
    Aim("word of the file", lambda run: run.seen.bits, lambda g: g["word"], unit="bit", decimals=0, points=0.5),
    Aim("error of the word", lambda run: run.seen.error_db, lambda g: m.DITHERED_DB[g["word"]], 1.0, points=0.5),
), "gain, ceiling, word, dither", points=4)  # fmt: skip


def _mastered(g, ceiling=SAFE_DBTP, by_db=0.0, dither=1.0):
    gain = float(np.clip(m.gain_for(g["mix"], g["t"]) - (g["handed"] - m.HANDED_LUFS) + by_db, -12, 24))
    return MASTER.moved(g, gain_db=gain, ceiling_db=ceiling, bits=float(g["word"]), dither=dither)


# -------------------------------------------------------------------------------------------------------- the exercises

R128 = "EBU R 128: −23.0 LUFS, true peak at most −1 dBTP (standard)"
OTHERS = "Other targets: common practice, no source"
BS1770 = "Loudness and true peak: ITU-R BS.1770-5, Annexes 1 and 2 (standard)"
GAINS_ADD = "A gain moves loudness and true peak alike: handbook formula"


def _stand(**limits):
    """Return what recognises gains that reach one limit only."""
    return lambda a, g: all(abs(a["desk"][n] - v) < 0.15 for n, v in _alone(g, **limits)["desk"].items())


GAIN = Exercise(
    id="11-1", title="Gain alone", parts=(ALONE.part(),),
    given=m.TWO_MIXES,
    statement="Two mixes are to be delivered with gain alone: at most {t} LUFS and at most {p} dBTP. Bring each as far "
        "up, or down, as both limits allow: to its nearer limit, ± 0.1 dB.",
    solve=_alone,
    slips=(
        Slip("loudness only", lambda g: _alone(g, peak=False), "You brought both to the loudness. One of them has its "
            "true peak over the limit there.", spots=_stand(peak=False)),
        Slip("true peak only", lambda g: _alone(g, loudness=False), "You brought both to the true peak. One of them is "
            "too loud there.", spots=_stand(loudness=False)),
    ),
    hints=("A gain moves both readings by the same number of dB.", "How far is each reading from its limit? The "
        "smaller way counts."),
    explain=lambda g: " ".join(fill(
        "{name}: {t} − ({level}) = {way:+.2f} dB, {p} − ({top:.2f}) = {room:+.2f} dB; the smaller is {gain:+.2f} dB.",
        {**g, "name": name, "level": level, "top": top, "way": g["t"] - level, "room": g["p"] - top,
         "gain": min(g["t"] - level, g["p"] - top)}) for name, (level, top) in zip("AB", both(g), strict=True)),
    cites=(GAINS_ADD, R128, OTHERS),
)  # fmt: skip

PLAYED = Exercise(
    id="11-2", title="What the player does",
    parts=tuple(Number(f"Gain of the player for {name}", "dB", tolerance=0.15, read_off=True) for name in "ABC"),
    given=m.THREE,
    statement="A player normalises to {t} LUFS. It turns down as far as it must, and up only as long as the true peak "
        "stays at or under −1 dBTP; it never turns a soft master down. Read the three masters on the desk. By how much "
        "does it move each?",
    solve=moves,
    slips=(
        Slip("target minus loudness", lambda g: moves(g, tight=lambda level, peak: g["t"] - level), "You turned up as "
            "far as the target asks. The true peak would go over −1 dBTP."),
        Slip("never up", lambda g: moves(g, free=lambda level, peak: 0.0), "This player turns up as well, as long as "
            "the true peak allows."),
        Slip("loudness minus target", lambda g: moves(g, **dict.fromkeys(("loud", "free"), lambda level, _:
            level - g["t"])), "You turned the sign: it is the target minus the loudness."),
        Slip("up to 0 dBTP", lambda g: moves(g, tight=lambda level, peak: -peak), "You let the true peak go up to 0 "
            "dBTP. The player stops at −1."),
    ),
    hints=("Target minus loudness: is it up or down?", "If it is up: how much room is there to −1 dBTP?"),
    explain=lambda g: " ".join(fill(
        "{name}: {t} − ({level:.2f}) = {want:+.2f} dB, with {room:.2f} dB of room to −1 dBTP, so {gain:+.2f} dB.",
        {"name": name, "t": g["t"], "level": level, "want": g["t"] - level, "room": -1 - peak, "gain": gain + 0.0})
        for name, (level, peak), gain in zip("ABC", m.three(g).values(), moves(g), strict=True)),
    cites=(BS1770, "Targets and rules of players: common practice, no source"),
)  # fmt: skip


def _sorted(g, rule):
    return {name: rule(*each) for name, *each in zip("ABCDE", g["kinds"], g["words"], strict=True)}


HANDED = Exercise(
    id="11-3", title="Five hand-off files",
    parts=(Matching("What do you do with each?", points=2, options=m.KINDS,
                    items={name: f"file {name}" for name in "ABCDE"}),),
    given=m.Prints(),
    statement="Five mixes arrive to be mastered. Measure each on the desk, then say what to do with it. A kind may "
        "come more than once, or not at all.",
    solve=lambda g: _sorted(g, lambda kind, word: kind),
    slips=(
        Slip("over is clipped", lambda g: _sorted(g, lambda kind, word: "clipped" if kind == "over" else kind), "Over "
            "full scale is not clipped: floating point keeps the tops, and turning down brings them back."),
        Slip("under full scale is whole", lambda g: _sorted(g, lambda kind, word: "fine" if kind == "clipped" else
            kind), "A file that was clipped and then turned down has flat tops under full scale."),
        Slip("16 bit is low", lambda g: _sorted(g, lambda kind, word: "low" if word == 16 else kind), "Sixteen bits "
            "that are filled lose next to nothing. They are too few where the peak is far down."),
    ),
    hints=("Are there peaks over full scale? What word is in use?", "Flat tops stay flat when a file is turned down.",
           "How many steps does a 16-bit file use whose peaks are at −48 dBFS?"),
    explain=lambda g: "; ".join(
        f"{name}: peak {level_text(sample_peak_dbfs(file), 'dBFS')}, {flat_runs(file)} flat tops, "
        f"{m.word_in_use(file)}: {m.KINDS[kind]}"
        for (name, file), kind in zip(m.files_of(g).items(), g["kinds"], strict=True)) + ".",
    cites=("Levels of a hand-off: common practice, no source",),
)  # fmt: skip


ORDERED = Exercise(
    id="11-4", title="In which order?",
    parts=(Order("Order of the steps", points=2, options=lambda g: {k: m.STEPS[k] for k in g["steps"]},
                 accepted=m.orders_of),),
    given=m.Steps(),
    statement="A mix in 32-bit float becomes a {bits}-bit master. Put the steps in order, so that its true peak is "
        "where the limiter put it, and its error is that of one dithered rounding. More than one order may be right.",
    solve=lambda g: m.orders_of(g)[0],
    slips=(
        Slip("dither first", lambda g: m.wrong_order(g, ("dither", 0)), "Dither belongs just before the word gets "
            "shorter: every step between raises or lowers it, and brings new rounding."),
        Slip("word before limiting", lambda g: m.wrong_order(g, ("dither", 0), ("word", 1)), "The word gets shorter "
            "last. All that you do to a short word is rounded again."),
        Slip("limit first", lambda g: m.wrong_order(g, ("limit", 0)), "What comes behind the limiter moves the peaks "
            "again: gain, equaliser and converting the rate belong ahead of it."),
    ),
    hints=("Which steps move peaks? They come before the limiter.", "Dither once, and right before what?"),
    explain="Gain, equaliser and rate conversion move peaks, so they come before the limiter, in any order. The true "
        "peak is measured behind the limiter, or last, on the finished file. Dither comes right before the word is "
        "shortened, and nothing is done to the levels behind it.",
    cites=("Dither once, with the last rounding: Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992",),
)  # fmt: skip

SAMPLE, LOUDNESS = (lambda f: f.peak - f.loudness), (lambda f: -f.loudness)
SQUEEZED = Exercise(
    id="11-5", title="What limiting takes",
    parts=tuple(Number(f"Loss, {name}", "dB", tolerance=0.2, read_off=True) for name in ("limiter", "clipper")),
    given=draws(mix=one_of(*m.LOUD_MIXES), gain=grid(7, 13, 0.1)),
    statement="The peak-to-loudness ratio is true peak minus loudness. The mix is raised by {gain} dB and held at −1 "
        "dBFS by a look-ahead limiter, and by a clipper. How much of the ratio is lost behind each? Write losses as "
        "positive numbers.",
    solve=_loss,
    slips=(
        Slip("sample peak", lambda g: [None, _loss(g, SAMPLE)[1]], "You took the sample peak. Behind a clipper, the "
            "true peak goes higher."),
        Slip("sign", lambda g: [-each for each in _loss(g)], "You turned the sign: a loss is the ratio before minus "
            "the ratio behind."),
        Slip("loudness alone", lambda g: _loss(g, LOUDNESS), "You took the change of loudness alone. The true peak has "
            "changed too."),
    ),
    hints=("Work out the ratio three times: of the mix, behind the limiter, behind the clipper.", "The **true** peak "
        "counts. By how much is it over the sample peak?"),
    explain=lambda g: fill(
        "Ratios: mix {mix:.2f} dB, limiter {limit:.2f} dB, clipper {clip:.2f} dB. Lost: {a:.2f} dB and {b:.2f} dB.",
        {**{each: _behind(g, key).plr for each, key in (("mix", OPEN), ("limit", LIMIT), ("clip", CLIP))},
         **dict(zip("ab", _loss(g), strict=True))}),
    cites=(BS1770, "Peak-to-loudness ratio: common practice, no source"),
)  # fmt: skip

MADE = Exercise(
    id="11-6", title="A master to its target", parts=(MASTER.part(),), given=m.Targets(),
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
        "{gain:+.1f} dB of gain the limiter turns down by {most_db:.1f} dB at most, and the file reads {lufs:.2f} "
        "LUFS. One rounding to {word} bits with dither leaves {error:.1f} dB.",
        {**g, "ceiling": SAFE_DBTP, "gain": _mastered(g)["desk"]["gain_db"], "error": m.DITHERED_DB[g["word"]],
         "most_db": m.met(g).reduction, "lufs": m.met(g).loudness}),
    cites=(R128, OTHERS, "Noise of dithered rounding, q²/4: Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992"),
    material=lambda g: m.handed_in(g["mix"]),
)  # fmt: skip

# ------------------------------------------------------------------------------------------------------------- the lab

CHOICES = {1: "the one that was made louder", 0: "both alike", -1: "the one that was made softer"}
HEADS = "master", "made at", "played at", "peaks reach", "peak to loudness"


def compare() -> tuple[str, str, Table]:
    """Return two masters of one mix, a soft and a loud one, as a player plays them."""
    made, rows = [figures("drums", gain) for gain in (8.0, 18.0)], []
    played = [each.loudness + m.played_db(each.loudness, each.true_peak, -16.0) for each in made]
    for name, each, level in zip(("made softer", "made louder"), made, played, strict=True):
        rows.append((name, level_text(each.loudness, "LUFS"), level_text(level, "LUFS"),
                     level_text(level + each.plr, "dBTP"), level_text(each.plr, signed=False)))  # fmt: skip
    outcome = CHOICES[int(np.sign(round(played[1] - played[0], 1)))]
    lost = level_text(made[0].plr - made[1].plr, signed=False)
    sentence = f"Both play at {level_text(played[1], 'LUFS')}. Making it louder has left **{lost}** less peak."
    return outcome, sentence, Table("One mix, two masters, a player at −16 LUFS", HEADS, tuple(rows))


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
