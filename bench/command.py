"""A command of the command line as a technician expects it: an option given twice is told, Ctrl-C has its exit code."""

import signal
from collections import Counter
from typing import Any

import typer
from typer.core import TyperCommand

from bench.errors import UsageError
from bench.interrupts import EXIT_OF_SIGNAL, StopSignal
from bench.printing import warn


class Command(TyperCommand):
    """Refuses what the library lets pass: of an option given twice it would silently take the last."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Return what is left over of the words.

        Raises:
            UsageError: options that may stand once stand twice.
        """
        _, _, order = self.make_parser(ctx).parse_args(args=list(args))
        counts = Counter(parameter.name for parameter in order)
        twice = [
            "/".join((*parameter.opts, *parameter.secondary_opts))
            for parameter in self.get_params(ctx)
            if counts[parameter.name] > 1 and not getattr(parameter, "multiple", False)
        ]
        if twice:
            raise UsageError("\n".join(f"{option} stands twice; give it once." for option in twice))
        return super().parse_args(ctx, args)

    def invoke(self, ctx: Any) -> Any:
        """Call the command; told to stop, leave with 128 and the signal's number."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt as interrupt:
            warn("interrupted.")
            number = interrupt.number if isinstance(interrupt, StopSignal) else signal.SIGINT
            raise typer.Exit(EXIT_OF_SIGNAL + number) from interrupt
