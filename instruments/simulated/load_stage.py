"""The electronic load's input stage: a resistor that its control loop sets, every 100 us while there is need.

What it is connected to is a voltage behind a resistance (`Feed`), so the resistor that draws what is wanted has a
closed form, and no iteration is needed. The current it draws moves with finite slew, from 0 where nothing was to be
had. It never conducts better than fully on, so a constant current falls where there is too little voltage for it, and
a power that the feed can't give pulls it all the way down. Between two looks of the loop it is that resistor, as the
loop of a load of metal is too slow for what happens faster. The wrong way round it conducts nothing.
Not modelled: the reverse diode, temperature, ranges, ripple, what two outputs do that are connected at once (it draws
of neither).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from instruments.simulated.agenda import NS_PER_S, Agenda, Alarm, Order
from instruments.simulated.parameters import ElectronicLoadParameters
from instruments.simulated.port import LoadMode

LOOK_NS = 100_000
REACTS_NS = 10_000  # its loop heeds what it hangs on no sooner than this after it looked
LEAST_V = 0.05  # from here on there is something to draw from
REVERSED_V = 0.5
OVERLOAD = 1.1  # times its rating: protection trips
SAME_OHM = 1e-9  # relative: less is no change
SWING_NS = 2_500_000  # half a period of a loop that oscillates: 200 Hz


@dataclass(frozen=True, slots=True)
class Feed:
    """What stands at the load's terminals: a voltage with its sign behind a resistance; `duty` is the part of time."""

    voltage_v: float = 0.0
    ohm: float = 0.0
    duty: float = 1.0


NO_FEED = Feed()


class LoadStage:
    """Satisfies `port.LoadPort`; the plant tells it what it hangs on and takes the resistance it has."""

    def __init__(
        self,
        parameters: ElectronicLoadParameters,
        agenda: Agenda,
        *,
        feed: Callable[[], Feed],
        apply: Callable[[float], None],
        restless: Callable[[], bool],
    ) -> None:
        """Make it with its input off.

        Args:
            parameters: what it is.
            agenda: of the plant.
            feed: what it hangs on now.
            apply: takes the resistance it conducts with from now on.
            restless: says whether what it hangs on moves by itself.
        """
        self.parameters = parameters
        self.mode = LoadMode.CURRENT
        self.levels = {LoadMode.CURRENT: 0.0, LoadMode.POWER: 0.0, LoadMode.RESISTANCE: math.inf}
        self.input_on = False
        self.protection_tripped = False
        self._agenda = agenda
        self._feed, self._apply, self._restless = feed, apply, restless
        self._alarm = Alarm(agenda, Order.CIRCUIT, self._look)
        self._looked_ns = 0
        self._drawn_a = 0.0
        self._ohm = math.inf
        self._reversed_since = False

    # --- LoadPort ---------------------------------------------------------------------------------

    def set_mode(self, mode: LoadMode) -> None:
        """Hold something else constant."""
        self.mode = mode
        self._look_at_once()

    def set_level(self, mode: LoadMode, level: float) -> None:
        """Set the level of a mode: A, W or ohm."""
        self.levels[mode] = level
        self._look_at_once()

    def set_input(self, on: bool) -> None:
        """Switch the input; off it conducts nothing at once."""
        self.input_on = on
        self._look_at_once()

    def clear_protection(self) -> None:
        """Forget that a protection tripped."""
        self.protection_tripped = False

    def read_voltage_v(self) -> float:
        """Return what its meter shows between its terminals, the mean where the output is pulsed."""
        parameters, feed = self.parameters, self._feed()
        part = 1.0 if math.isinf(self._ohm) else self._ohm / (self._ohm + feed.ohm)
        volts = feed.voltage_v * feed.duty * part
        return volts * (1.0 + parameters.voltage_reading_gain_error) + parameters.voltage_reading_offset_v

    def read_current_a(self) -> float:
        """Return what its meter shows, the mean where the output is pulsed or its own loop oscillates."""
        parameters, feed = self.parameters, self._feed()
        amps = _current_a(feed, self._drawing(feed, 0.0) if parameters.swings_by > 0.0 else self._ohm) * feed.duty
        return amps * (1.0 + parameters.current_reading_gain_error) + parameters.current_reading_offset_a

    def reversed(self) -> bool:
        """Say whether its terminals see the voltage the wrong way round now."""
        return self._feed().voltage_v < -REVERSED_V

    def reversed_since_last_call(self) -> bool:
        """Say whether they did at any time since the last call of this."""
        seen, self._reversed_since = self._reversed_since or self.reversed(), False
        return seen

    # --- the control loop -------------------------------------------------------------------------

    def wake(self) -> None:
        """Look soon: what it hangs on has changed, maybe by what it drew itself."""
        soon_ns = max(self._agenda.now_ns, self._looked_ns + REACTS_NS)
        if self._alarm.due_ns is None or self._alarm.due_ns > soon_ns:
            self._alarm.set(soon_ns)

    def _look_at_once(self) -> None:
        if self._alarm.due_ns != self._agenda.now_ns:
            self._alarm.set(self._agenda.now_ns)

    def _look(self) -> None:
        now_ns, feed = self._agenda.now_ns, self._feed()
        passed_s, self._looked_ns = (now_ns - self._looked_ns) / NS_PER_S, now_ns
        self._reversed_since = self._reversed_since or feed.voltage_v < -REVERSED_V
        wanted_a = self._wanted_a(feed)
        before_a = self._drawn_a
        step_a = self.parameters.slew_a_per_s * min(passed_s, LOOK_NS / NS_PER_S)
        self._drawn_a = min(max(wanted_a, before_a - step_a), before_a + step_a) if wanted_a > 0.0 else 0.0
        self._protect(feed)
        self._conduct(self._resistance(feed))
        worth_looking = wanted_a > 0.0 or feed.voltage_v < LEAST_V  # from nothing it may come up
        if self.input_on and (self._drawn_a != wanted_a or (worth_looking and self._restless())):
            self._alarm.set(now_ns + LOOK_NS)
        elif self.input_on and self.parameters.swings_by > 0.0:
            self._alarm.set((now_ns // SWING_NS + 1) * SWING_NS)

    def _wanted_a(self, feed: Feed) -> float:
        """Return what it draws once the slew is over."""
        if not self.input_on or self.parameters.dead or feed.voltage_v < LEAST_V:
            return 0.0
        parameters, level = self.parameters, self.levels[self.mode]
        most_a = feed.voltage_v / (feed.ohm + parameters.least_ohm)
        if self.mode is LoadMode.RESISTANCE:
            return feed.voltage_v / (feed.ohm + max(level, parameters.least_ohm))
        if self.mode is LoadMode.CURRENT:
            wanted_a = level * (1.0 + parameters.current_gain_error) + parameters.current_offset_a
        else:
            wanted_a = _current_for_power_a(feed, level * (1.0 + parameters.current_gain_error))
        return min(max(wanted_a, 0.0), most_a)

    def _resistance(self, feed: Feed) -> float:
        """Return the resistor that draws the present current, or of a loop that oscillates more and less in turn."""
        upwards = self._agenda.now_ns // SWING_NS % 2 == 0
        return self._drawing(feed, self.parameters.swings_by if upwards else -self.parameters.swings_by)

    def _drawing(self, feed: Feed, swing: float) -> float:
        amps = self._drawn_a * (1.0 + swing)
        return max(feed.voltage_v / amps - feed.ohm, self.parameters.least_ohm) if amps > 0.0 else math.inf

    def _protect(self, feed: Feed) -> None:
        parameters, amps = self.parameters, self._drawn_a
        power_w = amps * (feed.voltage_v - amps * feed.ohm) * feed.duty
        if amps > OVERLOAD * parameters.max_current_a or power_w > OVERLOAD * parameters.max_power_w:
            self.protection_tripped, self.input_on, self._drawn_a = True, False, 0.0

    def _conduct(self, ohm: float) -> None:
        if math.isclose(ohm, self._ohm, rel_tol=SAME_OHM):
            return
        self._ohm = ohm
        self._apply(ohm)


def _current_a(feed: Feed, ohm: float) -> float:
    return 0.0 if math.isinf(ohm) or feed.voltage_v <= 0.0 else feed.voltage_v / (feed.ohm + ohm)


def _current_for_power_a(feed: Feed, power_w: float) -> float:
    """Return the smaller current at which the load takes this power of the feed; infinite where it can't have it.

    P = i (v - i r), solved for i and multiplied out so that a feed without resistance is no special case.
    """
    rest = feed.voltage_v**2 - 4.0 * feed.ohm * power_w
    return math.inf if rest < 0.0 else 2.0 * power_w / (feed.voltage_v + math.sqrt(rest))
