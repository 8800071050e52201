"""Results on standard output, which may be a pipe that nobody reads to its end (`| head`)."""

import contextlib
import os
import sys


def ready_streams() -> None:
    """Have something to print on, whatever the program was started with, and no character that ends a run."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed by whoever started the program
            setattr(sys, name, open(os.devnull, "w"))  # noqa: PTH123, SIM115  (for as long as the program lasts)
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")


def put(text: str) -> None:
    """Print lines; once the reader has closed the pipe, what follows goes nowhere and the exit code is kept.

    Raises:
        OSError: standard output takes nothing for another reason: a full disk, say.
    """
    try:
        sys.stdout.write(f"{text}\n")
        sys.stdout.flush()
    except BrokenPipeError:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())  # what is still buffered is written out when the program ends
        os.close(nowhere)


def warn(text: str) -> None:
    """Say something beside the result, on standard error; where nobody hears it, it is let go."""
    with contextlib.suppress(OSError):
        sys.stderr.write("".join(f"boxproof: {line}\n" for line in text.splitlines()))
