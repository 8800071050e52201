"""Outputs of the simulated data-acquisition device: what they are set to now, and the watchdog."""

from dataclasses import dataclass

from instruments.simulated.parameters import DaqParameters
from instruments.simulated.port import PlantPort


@dataclass(frozen=True, slots=True)
class _Setting:
    """An analogue output: a straight line in time, then level. Microvolts and nanoseconds."""

    from_microvolts: int
    to_microvolts: int
    start_ns: int
    duration_ns: int

    def at(self, time_ns: int) -> int:
        """Return the setting at `time_ns`."""
        gone_ns = time_ns - self.start_ns
        if gone_ns >= self.duration_ns:
            return self.to_microvolts
        return self.from_microvolts + round((self.to_microvolts - self.from_microvolts) * gone_ns / self.duration_ns)


class Outputs:
    """Analogue and digital outputs; every change takes effect at the plant's present time."""

    def __init__(self, *, plant: PlantPort, parameters: DaqParameters) -> None:
        self._plant = plant
        self._analog = {channel: _Setting(0, 0, 0, 0) for channel in sorted(parameters.outputs)}
        self._digital = dict.fromkeys(sorted(parameters.digital_outputs), False)
        self.n_digital = max(self._digital, default=-1) + 1

    def set_analog(self, channel: int, microvolts: int) -> None:
        """Set a level; ends a ramp."""
        self._analog[channel] = _Setting(microvolts, microvolts, self._plant.now_ns, 0)
        self._plant.set_analog_output(channel, microvolts / 1e6)

    def ramp_analog(self, channel: int, to_microvolts: int, duration_ns: int) -> None:
        """Begin a ramp from where the output stands."""
        now_ns = self._plant.now_ns
        self._analog[channel] = _Setting(self._analog[channel].at(now_ns), to_microvolts, now_ns, duration_ns)
        self._plant.ramp_analog_output(channel, to_microvolts / 1e6, duration_ns)

    def set_digital(self, output: int, on: bool) -> None:
        """Switch an output."""
        self._digital[output] = on
        self._plant.set_digital_output(output, on)

    def rest(self) -> None:
        """Everything to 0 V and off."""
        for output in self._digital:
            self.set_digital(output, False)
        for channel in self._analog:
            self.set_analog(channel, 0)

    def analog_microvolts(self) -> list[int]:
        """Return every setting now, output n at place n; outputs that lead nowhere stand at 0."""
        now_ns = self._plant.now_ns
        last = max(self._analog, default=-1)
        return [self._analog[n].at(now_ns) if n in self._analog else 0 for n in range(last + 1)]

    def digital_states(self) -> int:
        """Return every state, output n in bit n."""
        return sum(1 << output for output, on in self._digital.items() if on)


class Watchdog:
    """Holds its output for `time_ns` after each beat and drops it at that very nanosecond.

    Once it has dropped by itself it stays off until released: what hangs on it was without power, and a host
    that comes back late must learn of that.
    """

    def __init__(self, *, plant: PlantPort, time_ns: int) -> None:
        self.on = False
        self.expired = False
        self.time_ns = time_ns
        self._plant = plant
        self._until_ns = 0
        self._look_out = False  # one call of the plant is on its way; it follows the beats

    def beat(self) -> None:
        """Switch on, or renew."""
        self._until_ns = self._plant.now_ns + self.time_ns
        if not self.on:
            self.on = True
            self._plant.set_watchdog(True)
        if not self._look_out:
            self._look_out = True
            self._plant.at(self._until_ns, self._look)

    def release(self) -> None:
        """Switch off now, and forget that it had run out."""
        self.expired = False
        if self.on:
            self.on = False
            self._plant.set_watchdog(False)

    def _look(self) -> None:
        self._look_out = False
        if not self.on:
            return
        if self._plant.now_ns < self._until_ns:
            self._look_out = True
            self._plant.at(self._until_ns, self._look)
            return
        self.on = False
        self.expired = True
        self._plant.set_watchdog(False)
