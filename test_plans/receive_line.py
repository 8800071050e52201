"""What the sampled receive line of the avionics bus shows apart from the bench's own frames. Pure.

The host is told of frames by its interface, the DAQ looks at the line itself: where the one is silent, the other says
whether there was anything to hear.
"""

import numpy as np
from numpy.typing import NDArray

from analysis.capture import Capture, Event

LINE = "bus.receive"
BEFORE_S = 0.002  # the host's time of a frame of its own against the samples
AFTER_S = 0.006  # a frame of its own that waited for another one has ended
APART_S = 0.002  # dominant samples nearer than this belong to one burst: at 1 kS/s a frame is one or two samples
BUSY_PART = 0.2  # a line dominant for more than that carries one frame over and over, which nobody acknowledges


def frames_sent(capture: Capture) -> list[Event]:
    """Return the frames of airspeed that the bench sent: what goes by another route names it."""
    return [event for event in capture.events_of("sent") if "route" not in event.fields]


def foreign_bursts_s(capture: Capture) -> NDArray[np.float64] | None:
    """Return when bursts began that no frame of the bench explains, capture time, shape (n,).

    None where it can't be told: the line was not sampled, it is busy without a pause (a frame that nobody acknowledges
    is repeated for ever), or it does not even show what the bench sent.
    """
    if LINE not in capture.lines:
        return None
    dominant = capture.line(LINE)
    sent_s = [event.time_s for event in frames_sent(capture)]
    if not dominant.size or dominant.mean() > BUSY_PART or (sent_s and not dominant.any()):
        return None
    foreign = dominant.copy()
    for at_s in (0.0, *sent_s):  # at 0 the last one sent before the capture may still be on the line
        foreign[capture.span(max(0.0, at_s - BEFORE_S), at_s + AFTER_S)] = False
    times_s = np.flatnonzero(foreign) / capture.sample_rate_hz
    first = np.diff(times_s, prepend=-np.inf) > APART_S
    return np.asarray(times_s[first], dtype=np.float64)
