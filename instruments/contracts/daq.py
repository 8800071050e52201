"""Contract of `capabilities.DataAcquisition`: run each of `CHECKS` on a freshly made driver with its probe.

The device has to be wired as its probe says: at least one analogue output that is looped back to an analogue
input, and one digital output that is looped back to a digital input.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from instruments.capabilities import DataAcquisition, SampleBlock, ScanRequest
from instruments.clock import Clock
from instruments.contracts import ContractViolation, require
from instruments.errors import LateScheduleError, RatingExceededError


class DaqProbe(Protocol):
    """A look at the device past the driver: into the plant, or with a meter."""

    def analog_output_v(self, channel: int) -> float:
        """Return the voltage at an analogue output."""
        ...

    def digital_output_on(self, output: int) -> bool:
        """Say whether a digital output is on."""
        ...

    def watchdog_on(self) -> bool:
        """Say whether the watchdog output is on."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class DaqUnderContract:
    """An open driver with its probe, its loops and how far it may be from true."""

    driver: DataAcquisition
    probe: DaqProbe
    clock: Clock
    output: int  # analogue output that is looped back to
    input_number: int  # this analogue input
    digital_output: int  # digital output that is looped back to
    digital_input: int  # this digital input
    range_v: float
    output_max_v: float
    sample_rate_hz: float
    voltage_tolerance_v: float
    watchdog_s: float


Maker = Callable[[], DaqUnderContract]
Check = Callable[[Maker], None]


def check_identity_is_complete(make: Maker) -> None:
    """`identify` gives at least maker, model and serial."""
    identity = make().driver.identify()
    require(bool(identity.maker and identity.model and identity.serial), f"{identity} names maker, model and serial")


def check_samples_come_whole_and_in_order(make: Maker) -> None:
    """A scan gives every sample once, from index 0 on, for as long as it ran."""
    bench = make()
    blocks = _scan(bench, 0.3)
    end = 0
    for block in blocks:
        require(block.first_sample == end, f"sample {end} follows, not {block.first_sample}")
        require(block.codes.dtype == np.int16, "codes are int16")
        require(block.words.dtype == np.uint64, "words are uint64")
        require(block.codes.shape == (len(block.words), 1), "codes have one column for each channel")
        end += len(block.words)
    expected = 0.3 * bench.sample_rate_hz
    require(abs(end - expected) <= 0.02 * expected + 1, f"about {expected:.0f} samples in 0.3 s, not {end}")


def check_codes_mean_volts(make: Maker) -> None:
    """Codes times `code_scale` are the volts that the probe sees."""
    bench = make()
    voltage_v = bench.output_max_v / 3
    bench.driver.set_analog(bench.output, voltage_v)
    bench.clock.sleep_s(0.05)
    codes, _ = _joined(_scan(bench, 0.1))
    measured_v = float(np.mean(codes)) * bench.driver.code_scale(bench.range_v)
    true_v = bench.probe.analog_output_v(bench.output)
    require(abs(true_v - voltage_v) <= bench.voltage_tolerance_v, f"{voltage_v:g} V is set, not {true_v:g} V")
    require(abs(measured_v - true_v) <= bench.voltage_tolerance_v, f"{true_v:g} V is measured, not {measured_v:g} V")


def check_schedules_hit_their_sample(make: Maker) -> None:
    """What is scheduled at a sample happens there, seen by the device's own inputs, to within two samples."""
    bench = make()
    at_sample = round(0.1 * bench.sample_rate_hz)

    def schedule() -> None:
        bench.driver.set_digital(bench.digital_output, True, at_sample=at_sample)
        bench.driver.set_analog(bench.output, bench.output_max_v / 2, at_sample=at_sample)

    codes, words = _joined(_scan(bench, 0.2, schedule))
    half = bench.output_max_v / 4 / bench.driver.code_scale(bench.range_v)
    for name, signal in (("digital", words != 0), ("analogue", codes > half)):
        require(bool(signal[-1]) and not signal[0], f"the {name} output changes once")
        seen = int(np.argmax(signal))
        require(0 <= seen - at_sample <= 2, f"the {name} output changes at sample {at_sample}, not {seen}")


def check_ramp_is_straight(make: Maker) -> None:
    """A ramp begins and ends at its samples and is half way in the middle."""
    bench = make()
    n_samples = round(0.1 * bench.sample_rate_hz)

    def schedule() -> None:
        bench.driver.ramp_analog(bench.output, bench.output_max_v, at_sample=n_samples, n_samples=n_samples)

    codes, _ = _joined(_scan(bench, 0.3, schedule))
    volts = codes * bench.driver.code_scale(bench.range_v)
    for place, part in ((1.0, 0.0), (1.25, 0.25), (1.5, 0.5), (1.75, 0.75), (2.1, 1.0)):
        seen_v, due_v = float(volts[round(place * n_samples)]), part * bench.output_max_v
        require(
            abs(seen_v - due_v) <= bench.voltage_tolerance_v, f"{due_v:g} V at {part:.0%} of a ramp, not {seen_v:g}"
        )


def check_late_schedules_are_refused(make: Maker) -> None:
    """A sample already taken is refused, and nothing happens, neither then nor later."""
    bench = make()

    def schedule() -> None:
        bench.clock.sleep_s(0.1)
        for call in (
            lambda: bench.driver.set_digital(bench.digital_output, True, at_sample=1),
            lambda: bench.driver.set_analog(bench.output, 1.0, at_sample=1),
            lambda: bench.driver.ramp_analog(bench.output, 1.0, at_sample=1, n_samples=10),
        ):
            _must_raise(LateScheduleError, call, "a schedule at a sample already taken")

    _scan(bench, 0.2, schedule)
    require(not bench.probe.digital_output_on(bench.digital_output), "a refused digital output stays off")
    require(abs(bench.probe.analog_output_v(bench.output)) <= bench.voltage_tolerance_v, "a refused output stays at 0")


def check_outputs_read_back(make: Maker) -> None:
    """Both read-backs give what was set, and the probe sees it."""
    bench = make()
    voltage_v = bench.output_max_v / 4
    bench.driver.set_analog(bench.output, voltage_v)
    bench.driver.set_digital(bench.digital_output, True)
    require(
        abs(bench.driver.read_analog_outputs()[bench.output] - voltage_v) <= bench.voltage_tolerance_v,
        "the analogue output reads back as set",
    )
    require(bench.driver.read_digital_outputs() == 1 << bench.digital_output, "just that digital output reads as on")
    require(bench.probe.digital_output_on(bench.digital_output), "the digital output is on")
    bench.driver.set_digital(bench.digital_output, False)
    require(not bench.probe.digital_output_on(bench.digital_output), "the digital output is off again")


def check_ratings_hold_before_the_wire(make: Maker) -> None:
    """More than the ratings is refused and changes nothing."""
    bench = make()
    too_fast = ScanRequest(channels=((bench.input_number, bench.range_v),), lines=(), sample_rate_hz=1e12)
    for call in (
        lambda: bench.driver.set_analog(bench.output, 2 * bench.output_max_v),
        lambda: bench.driver.set_analog(bench.output, float("nan")),
        lambda: bench.driver.set_analog(-1, 0.0),
        lambda: bench.driver.set_digital(100_000, True),
        lambda: bench.driver.start(too_fast),
    ):
        _must_raise(RatingExceededError, call, "more than the ratings")
    require(abs(bench.probe.analog_output_v(bench.output)) <= bench.voltage_tolerance_v, "a refused output stays at 0")


def check_watchdog_needs_its_beat(make: Maker) -> None:
    """The watchdog output holds as long as it is beaten, and drops within its time after the last beat."""
    bench = make()
    bench.driver.beat()
    for _ in range(4):
        bench.clock.sleep_s(0.6 * bench.watchdog_s)
        require(bench.probe.watchdog_on(), "the watchdog output holds while it is beaten")
        bench.driver.beat()
    bench.clock.sleep_s(1.1 * bench.watchdog_s)
    require(not bench.probe.watchdog_on(), "the watchdog output drops without beat")
    require(not bench.driver.watchdog_on(), "a dropped watchdog reads as off")
    bench.driver.release_watchdog()
    bench.driver.beat()
    require(bench.probe.watchdog_on(), "the watchdog output comes on again after a release and a beat")
    bench.driver.release_watchdog()
    require(not bench.probe.watchdog_on(), "a release drops the watchdog output at once")


def check_make_safe_leaves_nothing_on(make: Maker) -> None:
    """`make_safe` rests every output, in a scan too, and what was scheduled does not happen afterwards."""
    bench = make()

    def disturb() -> None:
        bench.driver.beat()
        bench.driver.set_analog(bench.output, bench.output_max_v / 2)
        bench.driver.set_digital(bench.digital_output, True)
        at_sample = round(0.1 * bench.sample_rate_hz)
        bench.driver.set_digital(bench.digital_output, True, at_sample=at_sample)
        bench.driver.make_safe()

    _scan(bench, 0.2, disturb)
    require(not bench.probe.watchdog_on(), "the watchdog output is off")
    require(not bench.probe.digital_output_on(bench.digital_output), "the digital output is off and stays off")
    require(
        abs(bench.probe.analog_output_v(bench.output)) <= bench.voltage_tolerance_v, "the analogue output is at 0 V"
    )


def check_close_makes_safe_and_can_be_repeated(make: Maker) -> None:
    """`close` rests every output; closing again does nothing."""
    bench = make()
    bench.driver.beat()
    bench.driver.set_digital(bench.digital_output, True)
    bench.driver.close()
    bench.driver.close()
    require(not bench.probe.watchdog_on(), "the watchdog output is off after close")
    require(not bench.probe.digital_output_on(bench.digital_output), "the digital output is off after close")


def _scan(bench: DaqUnderContract, duration_s: float, meanwhile: Callable[[], None] | None = None) -> list[SampleBlock]:
    """Return a scan of the looped-back input and line; `meanwhile` runs right after its start."""
    driver = bench.driver
    request = ScanRequest(
        channels=((bench.input_number, bench.range_v),),
        lines=(bench.digital_input,),
        sample_rate_hz=bench.sample_rate_hz,
    )
    bench.clock.register_drain(driver.drain)
    try:
        driver.start(request)
        if meanwhile is not None:
            meanwhile()
        bench.clock.sleep_s(duration_s)
        driver.stop()
    finally:
        bench.clock.unregister_drain(driver.drain)
    return list(driver.take_blocks())


def _joined(blocks: list[SampleBlock]) -> tuple[NDArray[np.int16], NDArray[np.uint64]]:
    """Return codes (n_samples,) of the one channel, and words."""
    codes: NDArray[np.int16] = np.concatenate([block.codes[:, 0] for block in blocks])
    return codes, np.concatenate([block.words for block in blocks])


def _must_raise(kind: type[Exception], call: Callable[[], None], what: str) -> None:
    try:
        call()
    except kind:
        return
    raise ContractViolation(f"{what} raises {kind.__name__}")


CHECKS: tuple[Check, ...] = (
    check_identity_is_complete,
    check_samples_come_whole_and_in_order,
    check_codes_mean_volts,
    check_schedules_hit_their_sample,
    check_ramp_is_straight,
    check_late_schedules_are_refused,
    check_outputs_read_back,
    check_ratings_hold_before_the_wire,
    check_watchdog_needs_its_beat,
    check_make_safe_leaves_nothing_on,
    check_close_makes_safe_and_can_be_repeated,
)
