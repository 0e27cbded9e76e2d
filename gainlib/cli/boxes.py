"""``probe`` and ``null``: what a recording of a test file tells of a box, and what one print less another proves."""

import argparse
from dataclasses import fields

from gainlib.audio import AudioFile
from gainlib.boxes import NullReport, null_test, racked, read_probe, write_probe
from gainlib.cli.output import check_target, figure, layout, path_of, plain, rack_of, wrapped, write_csv
from gainlib.words import Table, quantity

CAUTION = (
    "Caution: before you play this file, disconnect speakers and headphones, or switch the amplifier off, until the "
    "recording is done. It starts soft and climbs in steps to steady tones of {level}. The maximum input level in the "
    "box's manual, and local rules, come first; write a softer file with --level if in doubt. Mute input monitoring "
    "while you record, switch phantom power off, and never send line level into a microphone input."
)
_PROBE_FIGURES = (
    "linear", "kind", "linear_up_to_dbfs", "opens_dbfs", "offset_s", "rate_error_ppm", "polarity", "gain_db",
    "reference_dbfs", "output_gain_db", "noise_dbfs", "rate_hz", "levels_dbfs", "reason", "range_reason",
)  # fmt: skip
_HEADS = ("dBFS in", "gain\ndB", "THD\n%", "hidden\nunder %", "THD+N\n%", "noise\ndBFS")
_NULL_FIGURES = (
    "depth_db", "raw_depth_db", "residual_dbfs", "offset_s", "drift_ppm", "polarity", "matched", "alike", "compared_s",
    "left_out_s", "sentence",
)  # fmt: skip


def run_probe(options: argparse.Namespace) -> int:
    """Write or read; a recording that cannot tell is a result like any other."""
    return _write(options) if options.action == "write" else _read(options)


def _check_figures(options):
    """Refuse targets of ``--csv``, and of ``--json F`` of the version before, that cannot be written."""
    targets = {"csv": options.csv, "json": options.former_json}
    paths = {label: path_of(text) for label, text in targets.items() if text}
    for label, target in paths.items():
        check_target(options, target, f"--{label}")
    if len({target.resolve() for target in paths.values()}) < len(paths):
        options.usage_error(f"{paths['csv']} is named twice; give each sheet a name of its own")


def _write(options):
    path, level = path_of(options.file), quantity(options.level, "dBFS")
    write_probe(path, options.rate, level_max_dbfs=options.level)
    options.report.result |= {"file": path.name, "rate_hz": options.rate, "level_max_dbfs": options.level}
    options.report.show([f"{path}: written, {options.rate} Hz, mono, up to {level}.", ""])
    options.report.show(wrapped(CAUTION.format(level=level)))
    return 0


def _read(options):
    _check_figures(options)
    report = read_probe(path_of(options.file), None if options.probe is None else path_of(options.probe))
    names = [field.name for field in fields(report.curve)]
    steps = zip(*(getattr(report.curve, name) for name in names), strict=True)
    curve = [dict(zip(names, values, strict=True)) for values in steps]
    best = None if report.working_range is None else report.working_range[:3]
    result = {name: getattr(report, name) for name in _PROBE_FIGURES} | {"working_range_dbfs": best, "curve": curve}
    options.report.result = result
    if options.csv:
        write_csv(path_of(options.csv), curve)
    options.report.show([*layout(Table("", _HEADS, map(_line, curve))), "", *wrapped(report.sentence)])
    if options.name is not None:
        rack = rack_of(options)
        rack.put(racked(report, options.name))
        result["name"] = options.name
        options.report.show(["", f"In your rack as {plain(options.name)}: {rack.path}"])
    return 0


def _line(step):
    """Return the cells of one step of a probe."""
    percents = (figure(step[name], 3) for name in ("thd_percent", "floor_percent", "thdn_percent"))
    return figure(step["level_dbfs"], 0), figure(step["gain_db"], 2), *percents, figure(step["noise_dbfs"])


# ---------------------------------------------------------------------------------------------------------------- null


def run_null(options: argparse.Namespace) -> int:
    """Subtract, print, write."""
    _check_figures(options)
    first, second = (AudioFile(path_of(each)).load() for each in (options.first, options.second))
    report = null_test(first, second, match=options.match == "level", reach_s=options.max_offset)
    octaves = [{"octave_hz": hz, "residual_db": level} for hz, level in report.octaves.items()]
    options.report.result = {name: getattr(report, name) for name in _NULL_FIGURES}
    options.report.result |= {"gain_db": report.gain_db if report.alike else None, "octaves": octaves}
    if options.csv:
        write_csv(path_of(options.csv), [{"octave_hz": "all", "residual_db": report.depth_db}, *octaves])
    remains = {"all": report.depth_db, **{f"{hz:g} Hz": level for hz, level in report.octaves.items()}}
    rows = [(name, figure(level, silent="nothing")) for name, level in remains.items()]
    lines = layout(Table("", ("octave", "remains\ndB"), rows))
    options.report.show([*lines, "", *wrapped(_known(report)), "", *wrapped(report.sentence)])
    return 0


def _known(report: NullReport) -> str:
    """Say how the two prints lay before anything was taken out, in plain words."""

    def off(value, decimals, unit, more, less, none):
        return f"{figure(abs(value), decimals)} {unit} {more if value > 0 else less}" if value else none

    said = [
        off(1000.0 * report.offset_s, 3, "ms", "after A", "before A", "with A"),
        "runs " + off(report.drift_ppm, 2, "millionths", "faster", "slower", "at its speed"),
    ]
    if report.alike:
        said.append("is not inverted" if report.polarity > 0 else "is inverted")
        said.append("is " + off(round(report.gain_db, 3), 3, "dB", "above it", "below it", "at its level"))
    before = figure(report.raw_depth_db, silent="nothing")
    before = before if before == "nothing" else f"{before} dB"
    left = " and ".join(f"{figure(s, 2)} s of {w}" for s, w in zip(report.left_out_s, "AB", strict=True) if s)
    return (
        f"B starts {', '.join(said[:-1])} and {said[-1]}. Before alignment, {before} remained. Compared: "
        f"{figure(report.compared_s, 2)} s{f', but not {left}' if left else ''}."
    )
