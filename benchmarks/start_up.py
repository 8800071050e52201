"""How much longer `boxproof --help` takes than `python -c pass`: pairs in turn, the median difference.

Run: python benchmarks/start_up.py
"""

import statistics
import subprocess
import sys
import time

PAIRS = 9
PROMISED_S = 0.3


def seconds(arguments: list[str]) -> float:
    """Return the wall time of one process."""
    began = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)  # noqa: S603
    return time.perf_counter() - began


def main() -> None:
    """Print both medians, their difference and ratio."""
    help_command = ["-m", "bench", "--help"]
    idle_command = ["-c", "pass"]
    seconds(help_command), seconds(idle_command)  # fill the file cache
    pairs = [(seconds(help_command), seconds(idle_command)) for _ in range(PAIRS)]
    helps, idles = zip(*pairs, strict=True)
    extra_s = statistics.median(a - b for a, b in pairs)
    ratio = statistics.median(a / b for a, b in pairs)
    print(f"boxproof --help  median {statistics.median(helps):.3f} s")
    print(f"python -c pass   median {statistics.median(idles):.3f} s")
    print(f"difference       median {extra_s:.3f} s (promised: at most {PROMISED_S} s); ratio {ratio:.1f}")


if __name__ == "__main__":
    main()
