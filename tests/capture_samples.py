"""Small captures and records for the tests of what is kept on disk."""

import numpy as np

from analysis.capture import AnalogChannel, Event
from bench.records.capture_header import CaptureHeader
from bench.records.run_facts import RunFacts, copy_sheet


def a_channel(name):
    return AnalogChannel(
        name=name,
        quantity_unit="V",
        scale=10.0 / 32768,
        offset=-0.1,
        relative_bound=0.0005,
        absolute_bound=0.01,
        noise=0.0003,
        instrument="daq ai07",
        calibration="none, simulated",
        wiring="P1-4 to P1-5",
    )


def a_header(name="ramp", signals=("unit.current", "unit.current.high"), lines=("pitch.up", "bus.receive"), **changes):
    facts = {
        "name": name,
        "procedure": "discretes",
        "attempt": 1,
        "sample_rate_hz": 1000.0,
        "timebase_bound": 5e-5,
        "start_s": 12.3456789012345,
        "channels": tuple(a_channel(signal) for signal in signals),
        "lines": tuple(lines),
        "settings": {"rate_v_per_s": 0.1, "load": "9.0 ohm", "armed": True, "repeats": 3},
    }
    return CaptureHeader(**(facts | changes))


def samples(header, n_samples, seed=1):
    generator = np.random.Generator(np.random.Philox(seed))
    codes = generator.integers(-32768, 32768, (n_samples, len(header.channels)), dtype=np.int16)
    words = generator.integers(0, 1 << min(len(header.lines), 62), n_samples, dtype=np.uint64)
    return codes, words


def an_event(time_s=0.5, **fields):
    return Event(
        time_s=time_s, uncertainty_s=0.0005, kind="stimulus", fields=fields or {"line": "pitch.up", "value": True}
    )


def run_facts(**changes):
    facts = {
        "software_version": "0.1.0",
        "serial": "SIM-0147",
        "model": "dotterel-6",
        "aircraft": "whimbrel",
        "plan": "acceptance",
        "bench": "simulated",
        "simulated": True,
        "seed": 147,
        "defects": ("pull-up-open:0.5",),
        "remark": "<b>1 & 2</b>",
        "sheets": (copy_sheet("unit", "dotterel-6.toml", b'model = "dotterel-6"\r\n# \xc2\xb5\n'),),
    }
    return RunFacts(**(facts | changes))
