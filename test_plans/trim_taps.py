"""Short taps on a trim switch: what the output drives for each, against how long the switch was closed."""

from collections.abc import Iterator, Sequence

import numpy as np

from analysis.measurement import Measurement, Result
from analysis.uncertainty import Estimate
from test_plans.conditions import count
from test_plans.driving import LEAD_S, Touch, generator
from test_plans.readings import Record, doubted, nothing
from test_plans.sampled_time import interval_in
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.trim_drive import (
    Drive,
    Press,
    axis_observation,
    drives_of,
    press_doubts,
    presses_of,
    sample_doubts,
    time_measurement,
)
from test_plans.trim_switches import seat_words, switch_id
from test_plans.trim_timed import TimedTrim

TAPS_S = (0.020, 0.050, 0.100, 0.200)
TRIALS = 5
TRANSFER_INSTANTS = 4  # closed, opened, drive on, drive off
PAUSE_S = (0.220, 0.230)  # longer than a latency that could still be told from no answer at all
LENGTH_SLACK_S = 0.004  # how far a tap, read back, may be from the length it was meant to have


class TrimTaps(TimedTrim):
    """Transfer of taps of 20, 50, 100 and 200 ms by every switch."""

    name = "trim-taps"
    title = "Trim outputs: short taps"
    conditions = ("voltage_v", "current_limit_a", "load", "axes", "trials")
    limits = ("trim-tap-transfer",)
    instants = TRANSFER_INSTANTS

    def schedule(self, setup: Setup, axis: TrimAxis) -> tuple[Touch, ...]:
        """Return the taps of every switch, lengths mixed, pauses of random length."""
        pauses = generator(self.name, axis.name)
        touches = []
        at_s = LEAD_S
        for switch in axis.switches:
            for _ in range(count(setup, "trials", TRIALS)):
                for tap_s in TAPS_S:
                    touches.append(Touch(switch=switch.name, closed_s=at_s, opened_s=at_s + tap_s))
                    at_s += tap_s + float(pauses.uniform(*PAUSE_S))
        return tuple(touches)

    def results(self, record: Record, setup: Setup, axis: TrimAxis) -> Iterator[Result]:
        """Give for each switch and length the transfer that is worst; of taps within the debounce, that none lasts."""
        drives = drives_of(record, axis)
        bad = sample_doubts(record, setup, axis)
        for switch in axis.switches:
            presses = presses_of(record, switch)
            doubts = (*bad, *press_doubts(record, switch, presses))
            for tap_s in TAPS_S:
                taps = [press for press in presses if abs(press.opened_s - press.closed_s - tap_s) < LENGTH_SLACK_S]
                excess_s = [_driven_s(drives, switch, tap) - (tap.opened_s - tap.closed_s) for tap in taps]
                if tap_s < setup.unit.debounce_accepts_s:
                    most_s = setup.unit.limits["trim-tap-transfer"].high
                    yield axis_observation(
                        axis,
                        record,
                        id_=_id(switch, tap_s),
                        title=_title(switch, tap_s),
                        statement=f"within the debounce: no drive, or {1000.0 * (tap_s + most_s):.0f} ms at most",
                        tried=[_too_long(tap_s + excess, tap_s + most_s) for excess in excess_s],
                        doubts=doubts,
                    )
                    continue
                yield self._measured(doubted(_transfer(excess_s, record), *doubts), axis, switch, tap_s, len(taps))

    def _measured(self, found: Estimate, axis: TrimAxis, switch: TrimSwitch, tap_s: float, trials: int) -> Measurement:
        return time_measurement(
            found,
            axis,
            id_=_id(switch, tap_s),
            limit="trim-tap-transfer",
            title=f"{_title(switch, tap_s)}, time driven less time closed",
            trials=trials,
        )


def _driven_s(drives: Sequence[Drive], switch: TrimSwitch, tap: Press) -> float:
    """Return how long the output drove the right way for one tap: from its closing until the next one can come."""
    end_s = tap.opened_s + PAUSE_S[0]
    return sum(
        drive.duration_s
        for drive in drives
        if drive.direction == switch.polarity and tap.closed_s <= drive.start_s < end_s
    )


def _transfer(excess_s: Sequence[float], record: Record) -> Estimate:
    """Return the excess that is furthest from 0, with its sign."""
    if not excess_s:
        return nothing(*record.missing)
    worst = excess_s[int(np.argmax(np.abs(excess_s)))]
    return interval_in(record, worst, instants=TRANSFER_INSTANTS)


def _too_long(driven_s: float, most_s: float) -> str:
    return f"drove {1000.0 * driven_s:.0f} ms" if driven_s > most_s else ""


def _id(switch: TrimSwitch, tap_s: float) -> str:
    return switch_id(switch, f"tap-{1000.0 * tap_s:.0f}")


def _title(switch: TrimSwitch, tap_s: float) -> str:
    return f"{seat_words(switch)}: taps of {1000.0 * tap_s:.0f} ms"
