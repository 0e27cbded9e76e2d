"""Tables and sentences of the capstone's session: stems as they arrive, boxes as they are fed, the mix as it reads."""

from gainlib.exercises.capstone import assignment
from gainlib.exercises.capstone.mix_report import MixRead
from gainlib.exercises.capstone.stem_report import Arrived
from gainlib.exercises.capstone.strip_levels import BoxState
from gainlib.exercises.capstone.worksheet import place
from gainlib.words import Table, level_text, number_text

NONE = "–"


def stems_table(stems: tuple[Arrived, ...]) -> Table:
    """Return the stems in figures, one a row.

    Parameters
    ----------
    stems : tuple of Arrived
        As they arrive.

    Returns
    -------
    Table
    """
    heads = (
        "stem", "channels", "peak (dBFS)", "RMS (dBFS)", "active level (dBFS)", "plays (%)", "offset (%)", "flat tops",
        "floor in pauses (dBFS)", "left with right", "left − right (dB)", "with the overheads",
    )  # fmt: skip
    return Table("The stems as they arrive", heads, tuple(map(_stem_row, stems)))


def _stem_row(stem):
    reading = stem.reading
    levels = (reading.sample_peak_dbfs, reading.rms_dbfs, reading.active_dbfs)
    overheads = NONE
    if stem.against_overheads is not None:
        overheads = f"{number_text(stem.against_overheads, 2, True)} at {number_text(stem.lag_ms, 1, True)} ms"
    return (
        stem.name,
        str(stem.channels),
        *(number_text(level) for level in levels),
        number_text(100 * reading.activity, 0),
        number_text(100 * reading.dc_offset, 2),
        str(reading.flat_runs),
        NONE if stem.floor_dbfs is None else number_text(stem.floor_dbfs),
        NONE if stem.correlation is None else number_text(stem.correlation, 2, True),
        NONE if stem.side_db is None else number_text(stem.side_db, 0),
        overheads,
    )


def strip_table(name: str, nodes, levels: dict, boxes: list[BoxState]) -> Table:
    """Return the levels along a strip or group, with what is written on its boxes and how they compare with a bypass.

    Parameters
    ----------
    name : str
        Of the strip or group.
    nodes : sequence of str
        Along it.
    levels : dict
        By node.
    boxes : list of BoxState
        In order.

    Returns
    -------
    Table
    """
    rows = []
    for node in nodes:
        level, rest = levels[node], node.partition("/")[2]
        built = bypass = NONE
        if rest.startswith("insert"):
            number = int(rest.split("/")[0].split()[1])
            box = boxes[number - 1] if number <= len(boxes) else None
            if box and rest.endswith("/in"):
                built = level_text(box.built_for_dbfs, "", 0).strip()
            elif box:
                bypass = number_text(box.difference_db, 2, True)
        shown = (level.active_dbfs, level.clear_peak_dbfs, level.energy_dbfs)
        rows.append((place_along(node), *(number_text(each) for each in shown), built, bypass))
    heads = (
        "point",
        "active level (dBFS)",
        "sample peak (dBFS)",
        "RMS (dBFS)",
        "built for (dBFS)",
        "against bypass (dB)",
    )
    return Table(f"Along {name}", heads, tuple(rows))


def place_along(node: str) -> str:
    """Return a node without its strip's name."""
    owner, _, rest = node.partition("/")
    known = {"in": "its sum", "trim": "behind its trim", "post": "ahead of the fader", "source": "the stem as it came"}
    return known.get(rest) or place(node).partition(", ")[2] or owner


def overview_table(rows: list[tuple[str, list[BoxState], float, float, float]]) -> Table:
    """Return every strip in one line: how its boxes are fed and matched, its fader, what moved ahead of the sum.

    Parameters
    ----------
    rows : list of tuple
        Name, boxes, post trim, fader, change of level at the bus.

    Returns
    -------
    Table
    """
    heads = (
        "strip",
        "boxes fed (built for), dBFS active",
        "against bypass (dB)",
        "post trim (dB)",
        "fader (dB)",
        "moved (dB)",
    )
    shown = []
    for name, boxes, post, fader, moved in rows:
        fed = ", ".join(f"{number_text(b.into.active_dbfs)} ({number_text(b.built_for_dbfs, 0)})" for b in boxes)
        bypass = ", ".join(number_text(b.difference_db, 1, True) for b in boxes)
        shown.append(
            (
                name,
                fed or NONE,
                bypass or NONE,
                *(number_text(each, 1, True) for each in (post, fader)),
                number_text(moved, 2, True),
            )
        )
    return Table("All strips", heads, tuple(shown))


def mix_table(mix: MixRead) -> Table:
    """Return the mix against what was found.

    Parameters
    ----------
    mix : MixRead
        As it stands.

    Returns
    -------
    Table
    """
    bus = mix.figures.bus
    rows = [
        ("bus, true peak", level_text(bus.true_peak_dbtp, "dBTP", 2), "−6.5 to −6.0 dBTP"),
        ("bus, sample peak", level_text(bus.clear_peak_dbfs, "dBFS"), "below 0 dBFS"),
        ("bus, RMS", level_text(bus.energy_dbfs, "dBFS"), NONE),
        ("bus, loudness", level_text(bus.loudness_lufs, "LUFS"), NONE),
        ("the mix as a whole has moved by", level_text(mix.common_db, digits=2), "as you need it"),
    ]
    rows += [
        (f"{assignment.short_name(name)} against the rest", level_text(moved, digits=2), "within 0.2 dB")
        for name, moved in mix.against_db.items()
    ]
    now, was = (level_text(each, digits=2, sign=False) for each in (mix.reduction_db, mix.reduction_found_db))
    rows.append(("gain reduction of the drum group", now, f"{was} within 0.1 dB"))
    for words, found in (("effect on {}, against dry", mix.wet_db), ("{} in the cue", mix.cue_db)):
        rows += [
            (words.format(assignment.short_name(name)), level_text(moved, digits=2), "within 0.2 dB")
            for name, moved in found.items()
        ]
    rows += [
        (f"{place(f'{name}/in')}, RMS", level_text(mix.figures.energy(f"{name}/in"), "dBFS"), NONE)
        for name in assignment.GROUPS
    ]
    rows += [
        (f"{place(f'{name}/out')}, RMS", level_text(mix.figures.energy(f"{name}/out"), "dBFS"), NONE)
        for name in (*assignment.SOUNDING, *assignment.GROUPS)
    ]
    rows.append(("stems against the mix, 24 bit", level_text(mix.figures.null_db, "dB", 0), "below −90 dB"))
    return Table("The mix", ("what", "reads", "wanted"), tuple(rows))


def mix_sentence(mix: MixRead) -> str:
    """Return in Markdown what the mix reads, and what of it has moved most."""
    bus, worst = mix.figures.bus, max(mix.against_db, key=lambda name: abs(mix.against_db[name]))
    said = f"Bus **{level_text(bus.true_peak_dbtp, 'dBTP', 2)}**, {level_text(bus.loudness_lufs, 'LUFS')}. "
    if mix.figures.over_samples:
        said += f"It clips: {mix.figures.over_samples} samples over full scale. "
    farthest = f"{assignment.short_name(worst)}, {level_text(mix.against_db[worst], digits=2)}"
    said += f"Farthest from its old balance: {farthest}. "
    reduction = mix.reduction_db - mix.reduction_found_db
    return said + f"Drum group: gain reduction moved by {level_text(reduction, digits=2)}."
