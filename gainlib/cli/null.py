"""``null``: one print subtracted from another, and what the rest proves."""

import argparse

from gainlib.cli.output import check, declare, path_of, write_figures

SUMMARY = "subtract two prints of the same music"
DESCRIPTION = """\
Subtract B from A after aligning them to a fraction of a sample: start, speed and polarity, and the level if asked.

Told are what remains, in all and by octave, against the whole of A; how far the two were apart in time, speed, level
and polarity; and what that proves. A deep null shows that two prints are the same. A shallow one shows only that
something differs, not that it can be heard.
"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the two prints and how they are compared."""
    parser.add_argument("first", metavar="A", help="a print")
    parser.add_argument("second", metavar="B", help="another, at the same rate and with as many channels")
    parser.add_argument(
        "--match", choices=("level", "none"), default="level",
        help="level: take level and polarity out as well; none: leave them as they are (level)",
    )  # fmt: skip
    parser.add_argument(
        "--reach", metavar="S", type=_seconds, default=2.0, help="how far apart the starts may lie, in seconds (2)"
    )
    declare(parser)


def run(options: argparse.Namespace) -> int:
    """Subtract, print, write."""
    from gainlib.audio import AudioFile
    from gainlib.boxes import null_test
    from gainlib.cli.table import show

    check(options)
    first, second = (AudioFile(path_of(each)).load() for each in (options.first, options.second))
    report = null_test(first, second, match=options.match == "level", reach_s=options.reach)
    write_figures(options, *_figures(report))
    show(_lines(report))
    return 0


def _seconds(text):
    try:
        seconds = float(text.replace(",", "."))
    except ValueError:
        seconds = -1.0
    if not 0.0 < seconds <= 600.0:
        raise argparse.ArgumentTypeError(f"{text!r} is no reach; give seconds up to 600, such as 2")
    return seconds


def _figures(report):
    """Return the octaves, with the whole first, as rows for a CSV, and all of a report for JSON."""
    rows = [{"octave_hz": "all", "residual_db": report.depth_db}]
    rows += [{"octave_hz": hz, "residual_db": level} for hz, level in report.octaves.items()]
    whole = {
        "depth_db": report.depth_db,
        "raw_depth_db": report.raw_depth_db,
        "residual_dbfs": report.residual_dbfs,
        "offset_s": report.offset_s,
        "drift_ppm": report.drift_ppm,
        "polarity": report.polarity,
        "gain_db": report.gain_db if report.alike else None,
        "matched": report.matched,
        "alike": report.alike,
        "compared_s": report.compared_s,
        "left_out_s": list(report.left_out_s),
        "octaves": rows[1:],
        "sentence": report.sentence,
    }
    return rows, whole


def _lines(report):
    import textwrap

    from gainlib.cli.table import Column, layout, number, screen_width

    levels = [report.depth_db, *report.octaves.values()]
    names = ["all", *(f"{hz:g} Hz" for hz in report.octaves)]
    column = Column(("remains", "dB"), tuple(number(level, silent="nothing") for level in levels))
    width = screen_width()
    table = layout(names, [column], width, head="octave")
    return [*table, "", *textwrap.wrap(_known(report), width), "", *textwrap.wrap(report.sentence, width)]


def _known(report):
    """Say how the two prints lay before anything was taken out, in plain words."""
    from gainlib.cli.table import number

    def off(value, decimals, unit, more, less, none):
        return f"{number(abs(value), decimals)} {unit} {more if value > 0 else less}" if value else none

    said = [
        off(1000.0 * report.offset_s, 3, "ms", "after A", "before A", "with A"),
        "runs " + off(report.drift_ppm, 2, "millionths", "faster", "slower", "at its speed"),
    ]
    if report.alike:
        said.append("is not inverted" if report.polarity > 0 else "is inverted")
        level = round(report.gain_db, 3)
        said.append("stands " + off(level, 3, "dB", "above it", "below it", "at its level"))
    raw = report.raw_depth_db
    before = "nothing" if raw == float("-inf") else f"{number(raw)} dB"
    left = " and ".join(f"{number(s, 2)} s of {w}" for s, w in zip(report.left_out_s, "AB", strict=True) if s)
    return (
        f"B starts {', '.join(said[:-1])} and {said[-1]}. As they were, {before} remained. Compared: "
        f"{number(report.compared_s, 2)} s{f', but not {left}' if left else ''}."
    )
