"""``stage``: staged stems written into a new folder, beside originals that nobody touches."""

import argparse
from dataclasses import replace

from gainlib.cli import plan, plan_input

SUMMARY = "write stems with their planned gain"
DESCRIPTION = f"""\
Plan the gains of a folder of stems and write the stems anew into OUT, which must not exist yet or be empty.

--upto trim: polarity, DC block and trim; load them into the mixer in place of the raw stems. --upto bus: everything,
fader and pan included; their sum is the bus, where the master is linear. The originals are only read, and their
checksums compared afterwards. SHA256SUMS lists those of the new files.

{plan_input.CHAINS_HELP}"""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the folders, what is asked for, and what is written."""
    plan_input.declare(parser)
    parser.add_argument("stems", metavar="OUT", help="the folder to make")
    parser.add_argument("--upto", choices=("trim", "bus"), default="trim", help="how much is in the stems (trim)")
    parser.add_argument(
        "--subtype", choices=("PCM_24", "FLOAT"), default="PCM_24", help="24 bit, or 32-bit float (PCM_24)"
    )
    parser.add_argument("--gain-only", action="store_true", help="leave the DC block out of stems up to the trim")
    plan.sheets(parser)


def run(options: argparse.Namespace) -> int:
    """Plan, tell, write; 1 if anything could not be read, verified or written."""
    from gainlib.audio import GainlibError
    from gainlib.mix.export import write_stems
    from gainlib.mix.folders import check_new

    if options.gain_only and options.upto == "bus":
        options.usage_error("--gain-only goes with --upto trim; up to the bus everything is in")
    targets, old = plan.check(options)
    target = plan_input.path_of(options.stems)
    check_new(target)
    for each in targets.values():
        if each.resolve().is_relative_to(target.resolve()):
            options.usage_error(f"{each}: lies in the folder for the stems; write the sheets beside it")
    bar = plan_input.Bar(options.quiet)
    try:
        made = plan_input.make(options, bar)
        bar.close()
        plan_input.tell(made)
        if made.unreadable:
            raise GainlibError("a stem is missing, so none is written; mend it, or take it out with --leave-out")
        export = write_stems(
            made.plan, target, upto=options.upto, subtype=options.subtype, gain_only=options.gain_only, progress=bar
        )
        bar.close()
        _tell(export)
        plan.write(options, targets, replace(made, notes=(*made.notes, *export.notes)), bar, old)
    finally:
        bar.close()
    return 0


def _tell(export):
    from gainlib.cli.table import Column, layout, number, screen_width, show

    columns = [
        Column(("peak", "dBFS"), tuple(number(file.peak_dbfs) for file in export.files)),
        Column(("dither", ""), tuple("yes" if file.dithered else "no" for file in export.files)),
        Column(("SHA-256", ""), tuple(file.sha256[:12] for file in export.files)),
    ]
    lines = layout([file.name for file in export.files], columns, screen_width())
    show(["", f"Staged stems in {plan_input.plain(str(export.folder))}:", *lines, ""])
    for note in export.notes:
        show(plan_input.wrapped(note, screen_width()))
    if export.originals:
        show([f"Originals: {export.originals}, unchanged."])
