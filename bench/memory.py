"""The most memory this process has used so far."""

import sys


def peak_memory_mb() -> float:
    """Return the peak resident size in MB (10^6 bytes)."""
    if sys.platform == "win32":
        import psutil  # noqa: PLC0415  (installed on Windows only)

        return float(psutil.Process().memory_info().peak_wset) / 1e6
    import resource  # noqa: PLC0415  (not on Windows)

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6
