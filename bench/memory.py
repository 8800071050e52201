"""What memory this process has used, and how often it looks for what can be given back."""

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

MADE_BEFORE_LOOKING = 100_000  # objects


@contextmanager
def rarely_collected() -> Iterator[None]:
    """Look for unreachable cycles of objects a hundred times less often than Python does by itself.

    A run makes millions of small objects and next to no cycles: looking for those took a tenth of its time. What
    stands before the run is not looked at at all meanwhile.
    """
    before = gc.get_threshold()
    gc.freeze()
    gc.set_threshold(MADE_BEFORE_LOOKING, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
        gc.unfreeze()


def peak_memory_mb() -> float:
    """Return the peak resident size in MB (10^6 bytes)."""
    if sys.platform == "win32":
        import psutil  # noqa: PLC0415  (installed on Windows only)

        return float(psutil.Process().memory_info().peak_wset) / 1e6
    import resource  # noqa: PLC0415  (not on Windows)

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6
