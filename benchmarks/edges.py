"""Edge detection with hysteresis against one read of the record: `python benchmarks/edges.py`.

Prints the ratio of `find_edges` to `samples.max()` per sample type, best of several runs each, taken alternately.
"""

import time

import numpy as np

from analysis.edges import Samples, find_edges

N_SAMPLES = 20_000_000
SAMPLES_PER_EDGE = 500
REPEATS = 7
PROMISED_RATIO = 5.0


def record(dtype: str) -> Samples:
    """Return a noisy square wave between 0 and 1000 with one edge in 500 samples."""
    noise = np.random.default_rng(1).standard_normal(1_000_000) * 20.0
    level = (np.arange(N_SAMPLES) // SAMPLES_PER_EDGE % 2) * 1000.0
    level += np.resize(noise, N_SAMPLES)
    samples: Samples = level.astype(dtype)
    return samples


def ratio(samples: Samples) -> tuple[float, float, float]:
    """Return ratio, seconds of `find_edges` and seconds of `max`."""
    reads, finds = [], []
    for _ in range(REPEATS):
        started = time.perf_counter()
        samples.max()
        reads.append(time.perf_counter() - started)
        started = time.perf_counter()
        find_edges(samples, 300.0, 700.0)
        finds.append(time.perf_counter() - started)
    return min(finds) / min(reads), min(finds), min(reads)


def main() -> None:
    """Print one line per sample type."""
    for dtype in ("float64", "float32", "int16"):
        times, found, read = ratio(record(dtype))
        promise = f", promised {PROMISED_RATIO:g}" if dtype == "float64" else ""
        print(
            f"{dtype}: find_edges {times:.2f} times max(){promise}; "
            f"{N_SAMPLES / found / 1e6:.0f} MS/s against {N_SAMPLES / read / 1e6:.0f} MS/s"
        )


if __name__ == "__main__":
    main()
