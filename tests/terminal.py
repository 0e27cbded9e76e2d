"""The command line as a process of its own, on a terminal or into a pipe."""

import os
import signal
import subprocess
import sys

# A shell starts what runs in the background with interrupts ignored, and children keep to that.
START = (
    "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "from gainlib.__main__ import main; sys.exit(main())"
)


def interrupted(words, sign: bytes) -> tuple[int, bytes, bytes]:
    """Run a verb, interrupt it when `sign` appears on its screen, and return its exit code, output and screen."""
    import pty  # Windows has neither
    import termios

    screen, own = pty.openpty()
    termios.tcsetwinsize(own, (24, 100))  # a screen of no width has no room for a bar
    command = [sys.executable, "-c", START, *map(str, words)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=own) as process:
        os.close(own)
        seen = b""
        try:
            while more := os.read(screen, 4096):
                if sign not in seen and sign in seen + more:
                    process.send_signal(signal.SIGINT)
                seen += more
        except OSError:  # the end of a terminal, on Linux
            pass
        out = process.stdout.read()
    os.close(screen)
    return process.returncode, out, seen
