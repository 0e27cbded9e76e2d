"""Lab 12, the capstone: a session reported on, staged, balanced, handed over and written down, all on one session.

The six exercises are a series: one session for all of them, and another one for all when it is changed. A run that
counts opens one hint an exercise; a practice run opens all, free of charge, and earns nothing. Weights add up to 100.
"""

import functools
from dataclasses import dataclass, field, replace

from gainlib.exercises.box_tests import box_tester
from gainlib.exercises.capstone import assignment, delivery, marks, measurements, reference
from gainlib.exercises.experiment import (
    Choice,
    Experiment,
    Later,
    Picture,
    Plot,
    Setting,
    Sheet,
    db_slider,
)
from gainlib.exercises.lab import Lab, Worked
from gainlib.exercises.model import Before, Exercise, Slip
from gainlib.exercises.parts import Matching, Number
from gainlib.exercises.practical import in_words
from gainlib.exercises.recordings import looked_at
from gainlib.exercises.set_and_measure import SetAndMeasure
from gainlib.exercises.text import fill
from gainlib.processors import Compressor
from gainlib.session import FaderLaw
from gainlib.words import Table, level_text, number_text, percent_text

# ------------------------------------------------------------------------------------------- the session under the hand

TARGETS = (*assignment.SOUNDING, *assignment.GROUPS)
STRIP, STRIP_READ, ALL, MIXED, MIX_READ, BUS_READ = (
    "Strip", "Strip in numbers", "All strips", "Mix", "Mix in numbers", "Bus",
)  # fmt: skip
LOW_DB, HIGH_DB, MOST_POINTS = -48.0, 18.0, 2 * assignment.MOST_INSERTS + 4
HEIGHT_PX = 326  # under the desk stands a mixer's player
NONE = "–"
ASKED = "Put every strip and group back as you found it?"
_BEHIND_BOXES = {"trim": "trim_db", "post": "post_trim_db", "out": "fader_db"}


@dataclass(frozen=True)
class Seen:
    """What was measured when the hand last let go: levels along the strip or group under it, along all strips, the mix.

    What no tab in front has asked for may be older, or not there.
    """

    setting: Setting
    levels: dict
    strips: dict = field(default_factory=dict)
    mix: marks.Mix | None = None


def _place(target, control):
    return f"{target}/{control}"


def _places(given):
    return {_place(each.target, each.name): (each.target, each.name) for each in _movable(given)}


def _movable(given):
    return [each for each in assignment.controls(given) if each.target in TARGETS]


def fields_of(setting: Setting, target: str) -> dict[str, float]:
    """Return where the controls of a strip or group stand, by their names."""
    own = f"{target}/"
    return {name.removeprefix(own): value for name, value in setting.items() if name.startswith(own)}


def control_name(control: str) -> str:
    """Return what a control is called on the page.

    Examples
    --------
    >>> control_name("insert 2 in_db"), control_name("post_trim_db"), control_name("send cue level_db")
    ('box 2 in', 'output trim', 'send to cue')
    """
    if control.startswith("send "):
        return f"send to {control.split()[1]}"
    return in_words(control).replace("insert", "box")


def _slider(control):
    return db_slider(
        _place(control.target, control.name),
        control_name(control.name).capitalize(),
        control.low,
        control.high,
        control.start,
        shown=lambda setting: setting.strip == control.target,
        travel=FaderLaw() if control.name == "fader_db" else None,
    )


def guessed(levels: dict, was: dict, now: dict) -> dict:
    """Return levels along a strip while a hand moves: as measured, shifted as if every box passed on what it gets."""
    total, found = 0.0, {}
    for node, level in levels.items():
        point = node.partition("/")[2]
        number, _, end = point.removeprefix("insert ").partition("/")
        control = f"insert {number} {end}_db" if point.startswith("insert") else _BEHIND_BOXES.get(point)
        if control in now:  # a group has no gains around its box
            total += now[control] - was[control]
        found[node] = level.shifted(total)
    return found


def _point_name(node):
    point = node.partition("/")[2]
    if point.startswith("insert"):
        _, number, end = point.replace("/", " ").split()
        return f"{'into' if end == 'in' else 'out of'}\nbox {number}"
    return {"source": "stem", "in": "sum", "trim": "trim", "post": "output\ntrim", "out": "behind\nfader"}[point]


class SessionUnderHand:
    """The session of a variant on the desk: one strip under the hand, and all of it measured beside it."""

    def __init__(self, given: dict):
        self.given = given

    def experiment(self) -> Experiment:
        """Return the experiment."""
        names = [assignment.short_name(name) for name in assignment.SOUNDING]
        found = assignment.as_found(self.given)
        diagram = {
            "names": ("stem",), "low_db": LOW_DB, "high_db": HIGH_DB, "title": "Levels", "most": MOST_POINTS,
            "shows": ("wanted average",), "wanted": "level written on the box",
        }  # fmt: skip
        moved = {"names": names, "start": [found[name]["fader_db"] for name in assignment.SOUNDING]}
        room = {"bottom": 0.158, "top": 0.938}
        return Experiment(
            (
                Choice("strip", "Strip or group", {name: name for name in TARGETS}, turns=True),
                *map(_slider, _movable(self.given)),
            ),
            (
                Picture(
                    STRIP, ("P",), {"P": Plot("diagram", self._diagram, diagram)}, margins=room, height_px=HEIGHT_PX
                ),
                Sheet(STRIP_READ, self._strip_table),
                Sheet(ALL, self._all_table),
                Picture(
                    MIXED, ("FC",), {"FC": Plot("faders and changes", self._changes, moved)}, (1.15, 1.0),
                    margins=room | {"left": 0.12, "right": 0.965, "wspace": 0.06}, height_px=HEIGHT_PX,
                ),
                Sheet(MIX_READ, lambda run: _of_mix(run, mix_table)),
                Sheet(BUS_READ, lambda run: _of_mix(run, bus_table)),
            ),
            later=Later(self._measure, self._told, lines=2, of_tab=True),
            title="Your session",
            asks=ASKED,
            places=_places(self.given),
        )  # fmt: skip

    # ---- what is measured ------------------------------------------------------------------------------------------

    def _measure(self, run, progress):
        """Measure the strip under the hand, and what the tab in front shows; runs beside the hand."""
        setting, before, front = run.setting, run.found, run.front
        told = functools.partial(progress, text=f"{front}: measuring …")
        placed = assignment.complete(SESSION.answer(setting, self.given), self.given)
        levels = measurements.levels_at(setting.strip, placed, self.given)
        seen = Seen(setting, levels) if before is None else replace(before, setting=setting, levels=levels)
        if front == ALL:
            strips = {}
            for done, name in enumerate(assignment.SOUNDING):
                told(done / len(assignment.SOUNDING))
                strips[name] = measurements.levels_at(name, placed, self.given)
            seen = replace(seen, strips=strips)
        elif front in (MIXED, MIX_READ, BUS_READ):
            seen = replace(seen, mix=marks.Mix(placed, self.given, told))
        return seen

    def _now(self, run):
        """Return the levels along the strip under the hand, as far as they are known; None before they are measured."""
        seen, name = run.found, run.setting.strip
        if seen is None or seen.setting.strip != name:
            return None
        return guessed(seen.levels, *(fields_of(each, name) for each in (seen.setting, run.setting)))

    def _boxes(self, name, levels):
        return marks.boxes_at(name, levels, self.given)

    # ---- what is shown ---------------------------------------------------------------------------------------------

    def _diagram(self, run):
        levels, name = self._now(run), run.setting.strip
        if levels is None:
            return None
        nodes = [node for node in levels if "/send " not in node]
        written = {
            f"{name}/insert {number}/in": box.built_for_dbfs
            for number, box in enumerate(self._boxes(name, levels), start=1)
        }
        averages = [levels[node].active_dbfs for node in nodes]
        peaks = [levels[node].clear_peak_dbfs for node in nodes]
        of = assignment.short_name(name).capitalize(), [_point_name(node) for node in nodes]
        return averages, peaks, None, None, [written.get(node) for node in nodes], of

    def _strip_table(self, run):
        levels = self._now(run)
        return levels and strip_table(run.setting.strip, levels, self.given)

    def _all_table(self, run):
        if run.found is None or not run.found.strips:
            return None
        rows, found = [], assignment.as_found(self.given)
        for name, levels in run.found.strips.items():
            now = fields_of(run.found.setting, name)
            moved = measurements.moved_db(self.given["seed"], name, found[name], now)
            rows.append(_strip_row(name, self._boxes(name, levels), now, moved))
        heads = (
            "strip", "boxes fed (built for), active level in "
                "dBFS", "against bypass (dB)", "output trim (dB)", "fader (dB)",
            "moved (dB)",
        )  # fmt: skip
        return Table("All strips", heads, tuple(rows))

    def _changes(self, run):
        names = assignment.SOUNDING
        faders = [run.setting[_place(name, "fader_db")] for name in names]
        mix = run.found and run.found.mix
        if not mix:
            return faders, [0.0] * len(names), {}
        sends = {}
        for words, moved in (("effect on {}", mix.wet_db), ("cue send of {}", mix.cue_db)):
            sends |= {words.format(assignment.short_name(n)): (names.index(n), db) for n, db in moved.items()}
        return faders, [mix.against_db[name] for name in names], sends

    def _told(self, run, seen):
        return mix_sentence(seen.mix) if run.front in (MIXED, MIX_READ, BUS_READ) else self._strip_sentence(seen)

    def _strip_sentence(self, seen):
        name, found = seen.setting.strip, assignment.as_found(self.given)
        fields, was = fields_of(seen.setting, name), found[name]
        now, before = level_text(fields["fader_db"]), level_text(was["fader_db"])
        said = f"**{name}**: the fader is at {now}; you found it at {before}."
        if name == "drums":
            return f"{said} The compressor takes off **{number_text(marks.reduction_db(seen.levels), 2)} dB**."
        if name in assignment.GROUPS:
            return said
        moved = measurements.moved_db(self.given["seed"], name, was, fields)
        said += f" Its sum has moved by **{level_text(moved, decimals=2)}** since you began."
        boxes = self._boxes(name, seen.levels)
        fed = _numbered(_fed(box) for box in boxes)
        bypass = _numbered(number_text(box.difference_db, 2, True) for box in boxes)
        of_boxes = f"\n\nActive level fed (built for), in dBFS: {fed}. Against bypass, in dB: {bypass}."
        return said + of_boxes if boxes else said


def _of_mix(run, table):
    """Return a table of the mix, None where it was not measured yet."""
    return table(run.found.mix) if run.found and run.found.mix else None


def _numbered(texts):
    return ", ".join(f"box {number} {text}" for number, text in enumerate(texts, start=1))


def _fed(box):
    return f"{number_text(box.into.active_dbfs)} ({number_text(box.built_for_dbfs, 0)})"


def _strip_row(name, boxes, fields, moved):
    fed, bypass = ", ".join(map(_fed, boxes)), ", ".join(number_text(box.difference_db, 1, True) for box in boxes)
    gains = (number_text(fields[control], 1, True) for control in ("post_trim_db", "fader_db"))
    return name, fed or NONE, bypass or NONE, *gains, number_text(moved, 2, True)


def strip_table(name: str, levels: dict, given: dict) -> Table:
    """Return the levels along a strip or group, what is written on its boxes, and how they compare with a bypass."""
    rows, boxes = [], marks.boxes_at(name, levels, given)
    for node, level in levels.items():
        point, built = node.partition("/")[2], [NONE, NONE]
        if point.startswith("insert") and boxes:
            box, leaving = boxes[int(point.split("/")[0].split()[1]) - 1], point.endswith("/out")
            built[leaving] = number_text(*((box.difference_db, 2, True) if leaving else (box.built_for_dbfs, 0)))
        shown = (level.active_dbfs, level.clear_peak_dbfs, level.energy_dbfs)
        rows.append((_along(node), *map(number_text, shown), *built))
    heads = (
        "point", "active level (dBFS)", "sample peak (dBFS)", "RMS (dBFS)", "built for (dBFS)", "against bypass (dB)",
    )  # fmt: skip
    return Table(f"Along {name}", heads, tuple(rows))


def _along(node):
    owner, _, point = node.partition("/")
    if point.startswith("send "):
        return f"its send to {point.removeprefix('send ')}"
    return delivery.place(node).removeprefix(f"{owner}, ")


def mix_table(mix: marks.Mix) -> Table:
    """Return what has moved of every strip against the mix that was found, and what arrives at its sum."""
    rows = []
    for name in TARGETS:
        moved = (each.get(name) for each in (mix.against_db, mix.wet_db, mix.cue_db))
        levels = (f"{name}/in" if name in assignment.GROUPS else None, f"{name}/out")
        rows.append((
            name,
            *(NONE if each is None else number_text(each, 2, True) for each in moved),
            *(NONE if node is None else number_text(mix.figures.energy(node)) for node in levels),
        ))  # fmt: skip
    heads = (
        "strip", "against the rest (dB)", "effect against dry (dB)", "in the cue (dB)", "RMS of its sum (dBFS)",
        "RMS at the bus or drum group (dBFS)",
    )  # fmt: skip
    return Table("The mix against the one you found; bring each within 0.2 dB", heads, tuple(rows))


def bus_table(mix: marks.Mix) -> Table:
    """Return what the bus reads, and what else is asked of the whole mix."""
    bus = mix.figures.bus
    reduction, was = (level_text(db, decimals=2, signed=False) for db in (mix.reduction_db, mix.reduction_found_db))
    rows = (
        ("true peak", level_text(bus.true_peak_dbtp, "dBTP", 2), "−6.5 to −6.0 dBTP"),
        ("sample peak", level_text(bus.clear_peak_dbfs, "dBFS"), "below 0 dBFS"),
        ("samples over full scale", str(mix.figures.over_samples), "none"),
        ("RMS", level_text(bus.energy_dbfs, "dBFS"), NONE),
        ("loudness", level_text(bus.loudness_lufs, "LUFS"), NONE),
        ("the mix as a whole has moved by", level_text(mix.common_db, decimals=2), "as you need it"),
        ("gain reduction of the drum group", reduction, f"{was} within 0.1 dB"),
        ("stems against the mix, 24-bit", level_text(mix.figures.null_db, "dB", 0), "below −90 dB"),
    )  # fmt: skip
    return Table("The bus", ("what", "reads", "wanted"), rows)


def mix_sentence(mix: marks.Mix) -> str:
    """Return in Markdown what the mix reads, and what of it has moved most."""
    bus, worst = mix.figures.bus, max(mix.against_db, key=lambda name: abs(mix.against_db[name]))
    peak, loudness = level_text(bus.true_peak_dbtp, "dBTP", 2), level_text(bus.loudness_lufs, "LUFS")
    said = f"The bus peaks at **{peak}** and reads {loudness}. "
    if mix.figures.over_samples:
        said += f"It clips: {mix.figures.over_samples} samples are over full scale. "
    farthest = f"{assignment.short_name(worst)}, {level_text(mix.against_db[worst], decimals=2)}"
    said += f"The track farthest from its old balance is {farthest}. "
    reduction = mix.reduction_db - mix.reduction_found_db
    return said + f"The gain reduction of the drum group has changed by {level_text(reduction, decimals=2)}."


def stems_table(stems: tuple[measurements.Arrived, ...]) -> Table:
    """Return the stems in figures, one a row."""
    heads = (
        "stem", "channels", "peak (dBFS)", "RMS (dBFS)", "active level (dBFS)", "plays (%)", "offset (%)", "flat tops",
        "floor in pauses (dBFS)", "left with right", "left − right (dB)", "with the overheads",
    )  # fmt: skip
    return Table("The stems as they arrive", heads, tuple(map(_stem_row, stems)))


def _stem_row(stem):
    reading, overheads = stem.reading, NONE
    if stem.against_overheads is not None:
        overheads = f"{number_text(stem.against_overheads, 2, True)} at {number_text(stem.lag_ms, 1, True)} ms"
    return (
        stem.name,
        str(stem.channels),
        *(number_text(level) for level in (reading.sample_peak_dbfs, reading.rms_dbfs, reading.active_dbfs)),
        number_text(100 * reading.activity, 0),
        number_text(100 * reading.dc_offset, 2),
        str(reading.flat_runs),
        NONE if stem.floor_dbfs is None else number_text(stem.floor_dbfs),
        NONE if stem.correlation is None else number_text(stem.correlation, 2, True),
        NONE if stem.side_db is None else number_text(stem.side_db, 0),
        overheads,
    )


SESSION = SetAndMeasure(lambda given: SessionUnderHand(given).experiment(), _places, ())


# ------------------------------------------------------------------------------------------------------- the box tester


def tester(given: dict) -> Experiment:
    """Return the boxes of the session to be tried one by one."""
    named = {
        f"Box {number} of {owner}": assignment.processor(given, name)
        for name, (owner, number) in assignment.boxes(given).items()
    }
    return box_tester(named, "Boxes of your session", turns=True)


# ----------------------------------------------------------------------------------------- what the prediction is about

EXACTLY, LESS, MORE = "by exactly 4 dB", "by less than 4 dB", "by more than 4 dB"
_EXACT_DB, DRUMS_DB = 0.02, -4.0


def compare() -> tuple[str, str, Table]:
    """Return by how much the drums of the demo come down when their four strips do, ahead of their compressor."""
    moved = measurements.drums_moved(DRUMS_DB)
    off = moved.group_db - DRUMS_DB
    outcome = EXACTLY if abs(off) < _EXACT_DB else LESS if off > 0 else MORE
    sentence = (
        f"With the four strips down by {number_text(-DRUMS_DB, 0)} dB, the drums at the bus change by "
        f"**{number_text(-moved.group_db, 2)} dB**: their compressor takes off {number_text(moved.reduction_db, 2)} dB "
        f"instead of {number_text(moved.reduction_before_db, 2)} dB. That gives another sound and another balance; a "
        "move behind the compressor is exact and changes nothing else."
    )
    rows = tuple(
        (where, level_text(bus_db, decimals=2), level_text(taken_db, decimals=2, signed=False))
        for where, bus_db, taken_db in (
            ("at the four strips", moved.group_db, moved.reduction_db),
            ("at the output of the group", DRUMS_DB, moved.reduction_before_db),
        )
    )
    return outcome, sentence, Table("The drums moved by −4 dB", ("where", "at the bus", "gain reduction"), rows)


# -------------------------------------------------------------------------------------------------------- the exercises

SERIES = "12"
LEVELS = "Active level: a definition of this workbook; sample peak and RMS in dBFS: AES17"
BUS_METERS = "True peak and loudness: ITU-R BS.1770-5, Annexes 1 and 2"
PRACTICE = "Common practice, no source: feeding by the reference, faders near unity, 24 bits and −6 dBTP for a mix"
SUMS = "Handbook formulas: gains in series add in dB; a sum of linear paths is the sum of what each contributes"

_COMMON = {"series": SERIES, "graded_hints": 1, "guard": False, "material": assignment.session}


RETAKE_WORDS = {
    "good": "good", "preamp": "preamp clipped", "converter": "converter clipped", "low": "recorded too low",
}  # fmt: skip


def retakes_table(given: dict) -> Table:
    """Return what tells the retakes apart, one a row."""
    rows = []
    for name, take in assignment.retakes(given).items():
        seen = looked_at(take)
        levels = level_text(seen["peak"], "dBFS"), level_text(seen["average"], "dBFS")
        rows.append((name, *levels, f"{seen['flat']}", percent_text(seen["near"]), number_text(seen["noise"])))
    heads = (
        "retake", "sample peak", "RMS", "equal samples at the top", "within 0.5 dB of the peak",
        "RMS over the noise ahead of it (dB)",
    )  # fmt: skip
    return Table("The retakes", heads, tuple(rows))


def _report(given):
    lines = [
        f"- {stem}: {', '.join(map(assignment.TAG_TEXTS.get, tags))}" for stem, tags in assignment.faults(given).items()
    ]
    return (
        "A stem is too hot from an active level of −13 dBFS upwards and too low from −34 dBFS downwards; clipped where "
        "ten or more tops are flat at the stem's own maximum, whatever that is; it has an offset from 0.5 % of full "
        "scale; noise 22 to 36 dB below the active level in the pauses; reversed polarity where the correlation is "
        "−0.15 or less; it is dual mono where left minus right is silent, and has low activity where it plays 15 % of "
        "the time or less.\n\n" + "\n".join(lines) + f"\n\nRetakes: {_retakes_explained(given)}."
    )


def _retakes_explained(given):
    kinds = assignment.retake_kinds(given)
    rows = ((name, RETAKE_WORDS[kinds[name]], looked_at(take)) for name, take in assignment.retakes(given).items())
    return "; ".join(
        f"{name}, {words}: equal samples at the top {seen['flat']}, near it {percent_text(seen['near'])} of all, noise "
        f"{number_text(seen['noise'])} dB under the average"
        for name, words, seen in rows
    )


def _reported(points):
    return Matching(
        "What is wrong with each stem",
        points=points,
        options=assignment.TAG_TEXTS,
        items={stem: stem for stem in assignment.STEMS},
        several=True,
        enough=1.0,
        partly_from=0.85,
    )


REPORT = Exercise(
    id="12-1",
    title="Fault report",
    parts=(
        _reported(14),
        Matching(
            "What went wrong with each retake",
            points=6,
            options=RETAKE_WORDS,
            items={name: name for name in assignment.RETAKES},
            partly_from=0.5,
            by_chance=0.25,
        ),
    ),
    edition=2,
    before=Before((_reported(20),), assignment.faults),
    given=assignment.RetakesDraw("report"),
    statement=(
        "Eleven stems have arrived. For each, tick what is wrong with it; several faults may apply. **Too hot**: "
        "active level of −13 dBFS or more. **Too low**: −34 dBFS or less. **Hum or hiss**: a steady floor 22 to 36 dB "
        "below the active level. **Low activity**: it plays 15 % of the time or less. **DC**: 0.5 % or more. "
        "**Polarity**: one side of a stereo stem is reversed, or a close microphone against the overheads (then tick "
        "the close one). A stem with no fault gets *none of these*. A report without a mistake earns all points; from "
        "85 % agreement you earn points in proportion.\n\n**Retakes.** Four of the parts were played once more, and "
        "brought to some level afterwards. Some clipped in the preamp, some in the converter, some were recorded so "
        "low that the noise is less than 50 dB under the average, and some are good; a kind may come twice or not at "
        "all. Which is which? Two right are the least that earns points."
    ),
    solve=lambda given: [assignment.faults(given), assignment.retake_kinds(given)],
    hints=(
        "Measure before you listen, and measure every stem, not only those that look odd.",
        "What clipped need not reach full scale: someone may have turned it down afterwards. A converter cuts at one "
        "number, and its flat tops stay. A preamp rounds, and the noise behind it makes every sample unlike.",
        "A close microphone and the overheads pick up the same drum some milliseconds apart. What sign has the main "
        "peak of their correlation?",
    ),
    explain=_report,
    cites=(LEVELS, "The limits: choices of this workbook", "Agreement: F1 measure over all pairs of stem and tag"),
    **_COMMON,
)


def _compressors_for_linear(given):
    kinds = assignment.kinds(given)
    return {
        name: "linear" if isinstance(assignment.processor(given, name), Compressor) else kind
        for name, kind in kinds.items()
    }


def _kinds_explained(given):
    kinds = assignment.kinds(given).items()
    rows = [f"- {name}: {type(assignment.processor(given, name)).__name__}, {kind}" for name, kind in kinds]
    return (
        "A box is linear when a gain ahead of it could as well go behind it, at every level. A tremolo changes with "
        "time and a reverb has memory, and both are linear; whatever has a threshold or a curve is not, even where it "
        "happens to do nothing.\n\n" + "\n".join(rows)
    )


def _sorted(**partly):
    kinds = {"linear": "linear", "nonlinear": "nonlinear"}
    return (Matching("Each box", points=10, options=kinds, items=assignment.box_names, enough=0.9, **partly),)


LINEAR = Exercise(
    id="12-2",
    title="Which processors are level-dependent",
    parts=_sorted(partly_from=0.6, by_chance=0.5),
    edition=2,
    before=Before(_sorted(), assignment.kinds),
    given=assignment.SessionDraw("boxes"),
    statement=(
        "Mark every box of the session, those of the groups included: linear, or nonlinear, which here means anything "
        "that depends on level anywhere between silence and full scale. 90 % of them right will do; from 60 % on you "
        "earn points in proportion to what is above the half that guessing gets."
    ),
    solve=assignment.kinds,
    slips=(
        Slip(
            "compressors taken for linear",
            _compressors_for_linear,
            "Some of these are linear only up to a level, and you took them for linear. What a box with a threshold "
            "does depends on how loud you feed it: try it above and below.",
        ),
    ),
    hints=(
        "Feed a box softly, then loudly. Does its gain stay the same at every level?",
        "A gain that changes with time is not a gain that changes with level.",
    ),
    explain=_kinds_explained,
    cites=("Homogeneity and superposition: handbook definitions of a linear system",),
    **_COMMON,
)


DRIVE = Exercise(
    id="12-3",
    title="Drive and bypass",
    parts=(
        marks.Staging("Trims, in and out gains", points=25, look=marks.drive, wanted=marks.DRIVE_WANTED, each="box"),
    ),
    edition=2,
    before=Before((marks.Staging(points=25, look=marks.drive),), reference.controls),
    given=assignment.SessionDraw("drive"),
    statement=(
        "Set trims, in gains and out gains of all strips. Feed every level-dependent box the active level it is built "
        "for, within 1 dB; where its peaks would exceed −3 dBFS, the peaks decide, within 1 dB of that. Behind each of "
        "these boxes, match the energy (RMS) to that of its bypass within 0.3 dB. You may leave a linear box alone. "
        "Every box earns its share, and you may try as often as you like."
    ),
    solve=reference.controls,
    slips=(
        Slip(
            "not matched",
            reference.unmatched,
            "Every box is fed well, but you moved no out gain. Switch one off, and the level jumps: what a box takes "
            "off or adds has to be undone behind it, or nobody can judge it.",
            spots=marks.not_matched,
        ),
    ),
    hints=(
        "Work through each strip from left to right, and leave a box until the one ahead of it is fed and matched.",
        "Use the trim for gain ahead of the first level-dependent box, and the in gains for the boxes behind it.",
        "Reference minus reading, and highest peak allowed minus peak: the smaller of the two is the move.",
    ),
    explain="This is one of many right settings, move by move:\n\n{moves}",
    terms=lambda given: {"moves": reference.reasons(given)},
    cites=(LEVELS, PRACTICE),
    **_COMMON,
)


MIX = Exercise(
    id="12-4",
    title="Faders near unity, the mix as it was",
    parts=(
        marks.Staging(
            "Output trims, faders, sends and groups",
            points=20,
            look=marks.mix,
            wanted=marks.MIX_WANTED,
            each="strip",
            first=marks.drive,
        ),
    ),
    edition=2,
    before=Before((marks.Staging(points=20, look=marks.mix),), reference.controls),
    given=assignment.SessionDraw("mix"),
    statement=(
        "Bring every fader within 3 dB of unity, those of the groups as well. Keep the mix you found: every track "
        "against the others and the effect against its dry track within 0.2 dB, the gain reduction of the drum group "
        "within 0.1 dB, and the cue within 0.2 dB of what it got. The mix as a whole may move. Every strip and group "
        "earns its share once it is right, and its boxes too (12-3). The silent stem does not count."
    ),
    solve=reference.controls,
    slips=(
        Slip(
            "one fader",
            reference.one_fader,
            "One track moved alone. As much as its fader goes up, its output trim has to come down; a move of the mix "
            "has to move every track.",
            spots=marks.one_fader,
        ),
        Slip(
            "drums moved ahead of their compressor",
            reference.drums_at_the_strips,
            "You moved the drums at their own strips, so the compressor of their group now works at another level. "
            "Leave what feeds it alone, and move the output of the group.",
            spots=marks.drums_driven_elsewhere,
        ),
        Slip(
            "cue forgotten",
            reference.cue_forgotten,
            "You kept the mix but not the cue: it is taken ahead of the fader and behind the output trim, so its send "
            "has to move the other way by as much as the trim moved.",
            spots=marks.cue_forgotten,
        ),
    ),
    hints=(
        "Drive, in and out gains changed what arrives at the output trim. Output trim plus fader has to make up for "
        "that as well; read the level at the bus, not the controls.",
        "Move the drum group at its output, behind its compressor.",
        "A send behind the fader follows its track; one ahead of it follows the output trim only.",
    ),
    explain=(
        "The mix moves as a whole by {move:+.1f} dB, and nothing moves against it. This is one of many right "
        "settings:\n\n{moves}"
    ),
    terms=lambda given: {
        "move": marks.Mix(reference.controls(given), given).common_db,
        "moves": reference.reasons(given),
    },
    cites=(SUMS, PRACTICE),
    **_COMMON,
)


def _clips(answer, given):
    return measurements.figures_of(answer["controls"], given).over_samples > 0


HAND_OVER = Exercise(
    id="12-5",
    title="Bus level and export",
    parts=(delivery.HandedOver("Controls and export", points=15),),
    given=assignment.SessionDraw("hand-over"),
    statement=(
        "Bring the true peak of the bus between −6.5 and −6.0 dBTP without moving the master. Then export the mix as a "
        "24-bit file, and the stems as they arrive at the bus; subtracted from the mix, their sum has to leave less "
        "than −90 dB of it. The file is measured as in lab 11. The bus is worth 10 points, and the export 5."
    ),
    solve=reference.handed_over,
    slips=(
        Slip(
            "clipped bus",
            reference.clipped,
            "The bus is over full scale. Inside a floating-point mixer nothing is lost yet, but the file holds whole "
            "numbers and cuts it off. Bring everything that feeds the bus down together.",
            spots=_clips,
        ),
    ),
    hints=(
        "The move is target minus reading, the same for everything that feeds the bus: direct tracks, the "
        "output of the drum group, the return.",
        "When a direct track moves, its send to the effect follows it. What has to happen to that send?",
    ),
    explain=(
        "With everything staged, one common move brings the bus to {true_peak_dbtp:.1f} dBTP; a true peak moves "
        "exactly with the gain, so one move is enough. The parts, each rounded to 24 bits, leave {null_db:.0f} dB of "
        "the mix."
    ),
    terms=lambda given: reference.handed_over(given)["export"],
    cites=(BUS_METERS, SUMS, PRACTICE),
    **_COMMON,
)


def _sheet_explained(given):
    rows = zip(given["cells"], reference.filled_sheet(given)["cells"], strict=True)
    listed = "\n".join(fill("- {cell}: {value:.1f}", {"cell": delivery.label(cell), "value": v}) for cell, v in rows)
    return f"Each cell is one meter at one place. With the settings of the plan, they read:\n\n{listed}"


SHEET = Exercise(
    id="12-6",
    title="Ten cells of the sheet",
    parts=(delivery.FilledSheet("Controls and readings", points=10),),
    given=delivery.Sheets("sheet"),
    statement=(
        "Whoever mixes this needs a sheet of its levels. Fill in ten cells of it for the session as your controls are "
        "set now; each has to agree within 0.3 dB with what is measured there. If you move a control, the cells behind "
        "it change. At the bus or at the drum group a track is behind its fader and its pan, whose law takes 3 dB off "
        "a mono track in the centre; “Mix in numbers” reads that place."
    ),
    solve=reference.filled_sheet,
    hints=(
        "Look at the place first, then at the meter: is it ahead of a gain or behind it, average or peak?",
        "RMS covers the whole file, and active level only where something plays.",
    ),
    explain=_sheet_explained,
    cites=(LEVELS, BUS_METERS),
    **_COMMON,
)

WORKED = Worked(
    "A bass is at −24 dBFS (active level), its peaks at −11 dBFS. It goes through a compressor that is built for "
    "−18 dBFS. You found trim, gains and output trim at 0 dB and the fader at −4 dB, and the compressor took 1 dB off "
    "the energy. Stage it, and bring its level in the mix back with the fader at −1 dB.",
    (
        "**Feed.** Trim = reference − active level = −18 − (−24) = +6 dB. The peaks go to −11 + 6 = −5 dBFS, which is "
        "under −3 dBFS, so the reference decides.",
        "**Match.** Driven by 6 dB more, the compressor takes 3.5 dB off the energy of its bypass. So its out gain is "
        "+3.5 dB, and behind it the bass is 6 dB over the stem.",
        "**What it was in the mix.** As you found it, the bass came to the bus at −1 − 4 = −5 dB against the stem.",
    ),
    Number("Output trim, with the fader at −1 dB", "dB", tolerance=0.05),
    -10.0,
    "Behind the compressor it is at +6 dB and has to come to −5 dB, so output trim + fader = −5 − 6 = −11 dB. With the "
    "fader at −1 dB, the output trim is −11 + 1 = −10 dB.",
)

LAB = Lab(
    title="Capstone: stage the whole session",
    question="Can I hand over a session that someone else can mix at once?",
    minutes=120,
    lessons="three lessons of 45 minutes",
    exercises=(REPORT, LINEAR, DRIVE, MIX, HAND_OVER, SHEET),
    personal={"session": lambda rng: SESSION.of(DRIVE.given(rng))},
    compare=compare,
    worked=WORKED,
)
