"""The line on which the bench gives airspeed, checked at the unit's plug with the unit off it.

Frames of the bus are not: without the unit nobody acknowledges them.
"""

from collections.abc import Iterator

from analysis.measurement import Observation
from test_plans.airspeed_line import airspeed_arrives, line_faults, new_airspeed_s
from test_plans.bench_observation import bench_observation
from test_plans.procedure import CaptureNeed
from test_plans.readings import Record
from test_plans.rig import Rig
from test_plans.sheets import AirspeedRoute, Setup
from test_plans.signals import airspeed_lines, airspeed_signals

CAPTURE = "airspeed"
RATE_HZ = 30_000.0  # six samples a bit of 4800 bit/s
BEFORE_S = 0.1


def airspeed_s(setup: Setup) -> float:
    """Return how long the line is looked at; 0 where airspeed comes over the bus, or this bench has no line for it."""
    airspeed = setup.unit.airspeed
    if airspeed is None or airspeed.route is AirspeedRoute.CANAEROSPACE or not setup.bench.airspeed_wired:
        return 0.0
    return BEFORE_S + 4.0 * new_airspeed_s(airspeed)


def airspeed_need(setup: Setup) -> tuple[CaptureNeed, ...]:
    """Return the capture of the line, if there is one to look at."""
    duration_s = airspeed_s(setup)
    if not duration_s:
        return ()
    signals, lines = airspeed_signals(setup.unit), airspeed_lines(setup.unit)
    return (CaptureNeed(name=CAPTURE, signals=signals, lines=lines, sample_rate_hz=RATE_HZ, duration_s=duration_s),)


def give_airspeed(rig: Rig, setup: Setup) -> None:
    """Give two airspeeds, one at either end of the schedule, and stop."""
    duration_s = airspeed_s(setup)
    if not duration_s:
        return
    signals, lines = airspeed_signals(setup.unit), airspeed_lines(setup.unit)
    with rig.capture(CAPTURE, signals, sample_rate_hz=RATE_HZ, lines=lines) as session:
        for place, airspeed_kt in enumerate(_two_airspeeds(setup)):
            session.wait_until(BEFORE_S + 0.5 * place * (duration_s - BEFORE_S))
            rig.set_airspeed(airspeed_kt)
        session.wait_until(duration_s)
    rig.stop_airspeed()


def airspeed_observation(record: Record, setup: Setup) -> Iterator[Observation]:
    """Yield whether the line carries at the plug what it was given, where there is one to look at."""
    if not airspeed_s(setup):
        return
    wrong = list(line_faults(record))
    if record.capture is not None and not wrong and not airspeed_arrives(record):
        wrong.append("no airspeed was given")
    yield bench_observation(
        "bench-check.airspeed-line",
        "Bench: airspeed line looped back",
        "airspeed is read back at its pin as it was given",
        wrong=wrong,
        tried=record.capture is not None,
        captures=record.names,
        doubts=(*record.missing, *record.gap_doubts()),
    )


def _two_airspeeds(setup: Setup) -> tuple[float, float]:
    rules, full_kt = setup.unit.trim_rules, setup.unit.full_trim_airspeed_kt
    return (full_kt - 10.0, rules.slow_airspeed_kt + 10.0) if rules is not None else (full_kt, full_kt)
