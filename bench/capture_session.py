"""A running capture as a procedure sees it: capture time, and stimuli scheduled on its sample clock."""

from collections.abc import Callable

from bench.guard import COMMANDS_KEPT_S, MotionCommands
from bench.records.capture_header import CaptureHeader
from bench.sampling import Sampler
from bench.sheets.bench_sheet import BenchSheet
from instruments.capabilities import DataAcquisition
from test_plans.rig import BUS_SWITCH, Source, SupplyPath


class BenchSession:
    """Satisfies `test_plans.rig.CaptureSession`."""

    def __init__(
        self,
        header: CaptureHeader,
        *,
        sheet: BenchSheet,
        daq: DataAcquisition,
        hold_airspeed: Callable[[float, float], None] | None,
        sampler: Sampler,
        commands: MotionCommands,
        now: Callable[[], float],
        wait_until: Callable[[float], None],
        switched: Callable[[SupplyPath], None],
        played: Callable[[Source], None],
    ) -> None:
        self._header = header
        self._sheet = sheet
        self._daq = daq
        self._hold_airspeed = hold_airspeed
        self._sampler = sampler
        self._commands = commands
        self._now = now
        self._wait_until = wait_until
        self._switched = switched
        self._played = played

    @property
    def now_s(self) -> float:
        """Capture time now."""
        return self._now() - self._header.start_s

    def wait_until(self, time_s: float) -> None:
        """Wait until the sample at capture time `time_s` is surely taken: its clock may be slow by its bound."""
        lag_s = time_s * self._header.timebase_bound + 1.0 / self._header.sample_rate_hz
        self._wait_until(self._header.start_s + time_s + lag_s)

    def drive(self, stimulus: str, voltage_v: float, *, at_s: float) -> None:
        """Set an analogue stimulus at the sample next to `at_s`."""
        self._daq.set_analog(self._sheet.stimuli[stimulus], voltage_v, at_sample=self._sample(at_s))
        self._log(at_s, line=stimulus, value=voltage_v)

    def ramp(self, stimulus: str, to_voltage_v: float, *, at_s: float, duration_s: float) -> None:
        """Ramp an analogue stimulus from the sample next to `at_s` on."""
        n_samples = max(1, round(duration_s * self._header.sample_rate_hz))
        self._daq.ramp_analog(
            self._sheet.stimuli[stimulus], to_voltage_v, at_sample=self._sample(at_s), n_samples=n_samples
        )
        self._log(at_s, line=stimulus, value=to_voltage_v, ramp_s=duration_s)

    def press(self, switch: str, *, at_s: float) -> None:
        """Close a switch line at the sample next to `at_s`."""
        self._switch(switch, at_s, closed=True)

    def release(self, switch: str, *, at_s: float) -> None:
        """Open a switch line at the sample next to `at_s`."""
        self._switch(switch, at_s, closed=False)

    def switch_bus(self, path: SupplyPath, *, at_s: float) -> None:
        """Set the bus switch at the sample next to `at_s`: all others off, then the one wanted, in one sample."""
        for name, output in self._sheet.paths.items():
            if name != path.value:
                self._daq.set_digital(output, False, at_sample=self._sample(at_s))
        if path is not SupplyPath.OPEN:
            self._daq.set_digital(self._sheet.paths[path.value], True, at_sample=self._sample(at_s))
        self._switched(path)
        self._log(at_s, line=BUS_SWITCH, path=path.value)

    def play_course(self, source: Source) -> None:
        """Have a source play the course loaded into it from now on."""
        self._played(source)
        self._log(self.now_s, line=source.value, course=True)

    def quiet_bus(self, *, from_s: float, to_s: float) -> None:
        """Hold bench frames back in this stretch of capture time."""
        if self._hold_airspeed is not None:
            self._hold_airspeed(self._header.start_s + from_s, self._header.start_s + to_s)

    def note(self, **fields: float | str | bool) -> None:
        """Log a note now."""
        self._sampler.log(self._now(), "note", 0.005, fields)

    def _switch(self, switch: str, at_s: float, *, closed: bool) -> None:
        self._daq.set_digital(self._sheet.switches[switch], closed, at_sample=self._sample(at_s))
        self._commands.forget_before(self._now() - COMMANDS_KEPT_S)
        self._commands.add(self._header.start_s + at_s, switch, closed=closed)
        self._log(at_s, line=switch, value=closed)

    def _sample(self, at_s: float) -> int:
        return round(at_s * self._header.sample_rate_hz)

    def _log(self, at_s: float, **fields: float | str | bool) -> None:
        bound_s = 0.5 / self._header.sample_rate_hz
        self._sampler.log(self._header.start_s + at_s, "stimulus", bound_s, fields)
