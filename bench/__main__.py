"""`python -m bench` is `boxproof`: the command line, with Ctrl-C's exit code from the first import on."""

import os
import signal
import sys

INTERRUPTED = 128 + signal.SIGINT


def main() -> None:
    """Run the command line.

    An interrupt leaves by `os._exit`: one that came during an import would have Python kill itself by the signal in
    the end, whatever code it was told to leave with.
    """
    try:
        from bench.cli import main as command_line  # noqa: PLC0415  (importing takes long enough to be interrupted)

        command_line()
    except KeyboardInterrupt:
        sys.stderr.write("boxproof: interrupted.\n")
    except SystemExit as leaving:
        if leaving.code != INTERRUPTED:
            raise
    else:
        return
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):  # nobody reads it any more
            continue
    os._exit(INTERRUPTED)


if __name__ == "__main__":
    main()
