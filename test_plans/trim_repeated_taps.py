"""Long taps one after the other, together longer than the cut-off: none of them may be cut, for each starts anew."""

from collections.abc import Iterator

from analysis.measurement import Result
from test_plans.driving import LEAD_S, Touch
from test_plans.readings import Record
from test_plans.sheets import Setup, TrimAxis
from test_plans.trim_drive import (
    SETTLE_S,
    axis_observation,
    drives_of,
    drives_throughout,
    press_doubts,
    presses_of,
    sample_doubts,
)
from test_plans.trim_switches import seat_words, switch_id
from test_plans.trim_timed import TimedTrim

TAP_PART = 0.45  # of the nominal cut-off
TAPS = 3  # together 1.35 times the cut-off: time that adds up cuts the third one short, well before its end
PAUSE_S = 0.2


class TrimRepeatedTaps(TimedTrim):
    """No accumulation over taps, every switch."""

    name = "trim-repeated-taps"
    title = "Trim outputs: repeated taps are not cut off"
    conditions = ("voltage_v", "current_limit_a", "load", "axes")

    def schedule(self, setup: Setup, axis: TrimAxis) -> tuple[Touch, ...]:  # noqa: ARG002
        """Return the taps of each switch."""
        tap_s = TAP_PART * axis.cut_off_s
        touches = []
        at_s = LEAD_S
        for switch in axis.switches:
            for _ in range(TAPS):
                touches.append(Touch(switch=switch.name, closed_s=at_s, opened_s=at_s + tap_s))
                at_s += tap_s + PAUSE_S
        return tuple(touches)

    def results(self, record: Record, setup: Setup, axis: TrimAxis) -> Iterator[Result]:
        """Give for each switch that every tap drives to its end."""
        drives = drives_of(record, axis)
        bad = sample_doubts(record, setup, axis)
        for switch in axis.switches:
            presses = presses_of(record, switch)
            yield axis_observation(
                axis,
                record,
                id_=switch_id(switch, "taps-not-cut"),
                title=f"{seat_words(switch)}: taps do not add up to a cut-off",
                statement=f"each of {TAPS} taps of {100.0 * TAP_PART:.0f} % of the cut-off drives to its end",
                tried=[
                    ""
                    if drives_throughout(drives, switch.polarity, press.closed_s + SETTLE_S, press.opened_s)
                    else f"tap {number} did not drive to its end"
                    for number, press in enumerate(presses, start=1)
                ],
                doubts=(*bad, *press_doubts(record, switch, presses)),
            )
