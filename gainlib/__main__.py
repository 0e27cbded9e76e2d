"""The command line: ``python -m gainlib measure stems/``."""

import argparse
import os
import sys
from importlib import import_module

from gainlib import __version__
from gainlib.cli import MODULES
from gainlib.errors import GainlibError

_EPILOG = """\
exit code: 0 done, 1 something failed or nothing was found, 2 wrong use, 130 interrupted
Files that are read are never altered. "… VERB --help" tells more.
"""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser with all verbs declared."""
    parser = argparse.ArgumentParser(
        prog="python -m gainlib",
        description="Levels from microphone to master: measure, mix, stage and check gain.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"gainlib {__version__}")
    verbs = parser.add_subparsers(metavar="VERB", required=True)
    for verb in (verb for name in MODULES for verb in import_module(f"gainlib.cli.{name}").VERBS):
        own = verbs.add_parser(
            verb.name,
            help=verb.summary,
            description=verb.description,
            epilog=_EPILOG.splitlines()[0],
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        verb.arguments(own)
        own.set_defaults(run=verb.run, usage_error=own.error, passes_on=verb.passes_on)
    return parser


def main(arguments: list[str] | None = None) -> int:
    """Run one verb: the words after ``python -m gainlib``, those of this process by default.

    Returns 0 done, 1 something failed, 130 interrupted. Wrong use ends the process with 2.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a file name may hold what the screen's alphabet lacks
            stream.reconfigure(errors="backslashreplace")
    options, rest = build_parser().parse_known_args(arguments)
    if rest and not options.passes_on:
        options.usage_error(f"unrecognized arguments: {' '.join(rest)}")
    options.rest = [word for word in rest if word != "--"]
    try:
        code = options.run(options)
        sys.stdout.flush()
        return code
    except GainlibError as error:
        print(error, file=sys.stderr)
        return 1
    except BrokenPipeError:  # whoever read our output has had enough; say nothing when Python closes it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except KeyboardInterrupt:
        print("\nInterrupted; nothing half-written is left behind.", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main())
