"""The driver over the simulated device, byte for byte, in simulated time."""

import contextlib

import numpy as np
import pytest
from daq_fake_plant import RATINGS, FakePlant, daq_parameters, taken_codes

from instruments.capabilities import ScanRequest
from instruments.daq import open_daq
from instruments.daq_frames import FrameDecoder, encode_frame
from instruments.daq_messages import Command, Reply, decode_error
from instruments.errors import LateScheduleError, ProtocolError, SettingRefusedError
from instruments.simulated.clock import SimulatedClock
from instruments.simulated.daq_device import MAX_SCHEDULED, SimulatedDaq
from instruments.simulated.serial_link import serve_serial


class Bench:
    """Plant, clock, device and driver."""

    def __init__(self, stack, *, name="daq-test", seed=1, signal=None, **changes):
        self.plant = FakePlant(signal)
        self.clock = SimulatedClock(self.plant)
        self.device = SimulatedDaq(plant=self.plant, parameters=daq_parameters(**changes), seed=seed)
        url = stack.enter_context(serve_serial(name, device=self.device, clock=self.clock))
        self.daq = open_daq(url, clock=self.clock, ratings=RATINGS, name="daq", time_out_s=1.0)
        stack.callback(self.daq.close)
        self.clock.register_drain(self.daq.drain)

    def scan(self, duration_s, *, channels=((0, 10.0), (1, 40.0)), lines=(0,), rate_hz=10_000.0, slice_s=None):
        self.daq.start(ScanRequest(channels=channels, lines=lines, sample_rate_hz=rate_hz))
        for _ in range(round(duration_s / (slice_s or duration_s))):
            self.clock.sleep_s(slice_s or duration_s)
        self.daq.stop()
        return taken_codes(self.daq)


@pytest.fixture
def make():
    with contextlib.ExitStack() as stack:
        yield lambda **changes: Bench(stack, **changes)


def zero(_channel, times_ns):
    return np.zeros(len(times_ns))


def test_the_codes_are_the_signal_at_the_sample_instants(make):
    bench = make(noise_v={10.0: 0.0, 40.0: 0.0})
    spans, codes, _ = bench.scan(0.1)
    assert spans == [(0, 1001)]  # sample 0 at the start, sample 1000 just now
    times_ns = np.arange(1001) * 100_000
    assert codes[:, 0].tolist() == np.rint(np.sin(times_ns * 1e-6) / (10 / 32768)).tolist()
    assert codes[:, 1].tolist() == np.rint((1 + np.sin(times_ns * 1e-6)) / (40 / 32768)).tolist()


def test_the_devices_clock_error_moves_its_samples(make):
    bench = make(noise_v={10.0: 0.0, 40.0: 0.0}, clock_error=100e-6, signal=lambda _n, t: t * 1e-9)
    _, codes, _ = bench.scan(1.0, channels=((0, 10.0),))
    assert len(codes) == 10_002  # 100 ppm fast: one sample more than 10 001 in a second
    seen_s = float(codes[-1, 0]) * 10 / 32768
    assert seen_s == pytest.approx(1.0, abs=0.001)


def test_slices_of_any_length_give_the_same_codes():
    drawn = []
    for slice_s in (0.001, 0.007, 0.05, 0.7):
        with contextlib.ExitStack() as stack:
            bench = Bench(stack, clock_error=20e-6)
            _, codes, words = bench.scan(0.7, slice_s=slice_s)
            drawn.append((codes.tobytes(), words.tobytes()))
    assert len(set(drawn)) == 1
    assert len(codes) == 7001


def test_noise_belongs_to_seed_procedure_attempt_scan_and_channel():
    with contextlib.ExitStack() as stack:
        one, same = Bench(stack, name="one", signal=zero), Bench(stack, name="same", signal=zero)
        other = Bench(stack, name="other", signal=zero, seed=2)
        for bench in (one, same, other):
            bench.device.set_noise_key("discrete-1", 1)
        first, second = one.scan(0.1)[1], one.scan(0.1)[1]
        assert np.array_equal(first, same.scan(0.1)[1])
        assert np.array_equal(second, same.scan(0.1)[1])
        assert not np.array_equal(first, second)
        assert not np.array_equal(first, other.scan(0.1)[1])
        one.device.set_noise_key("discrete-1", 2)
        assert not np.array_equal(first, one.scan(0.1)[1])
        one.device.set_noise_key("discrete-1", 1)
        assert np.array_equal(first, one.scan(0.1)[1])
        alone = Bench(stack, name="alone", signal=zero)
        alone.device.set_noise_key("discrete-1", 1)
        assert np.array_equal(first[:, 1], alone.scan(0.1, channels=((1, 40.0),))[1][:, 0])
        assert abs(np.corrcoef(one.scan(1.0)[1].T)[0, 1]) < 0.04  # four standard deviations of independent channels


def test_noise_has_the_stated_rms_on_each_range(make):
    bench = make(signal=zero, noise_v={10.0: 0.003, 40.0: 0.01})
    _, codes, _ = bench.scan(1.0)
    for column, (rms_v, range_v) in enumerate(((0.003, 10.0), (0.01, 40.0))):
        volts = codes[:, column] * range_v / 32768
        expected = np.hypot(rms_v, range_v / 32768 / np.sqrt(12))  # rounding to codes adds a uniform error
        assert np.std(volts) == pytest.approx(expected, rel=0.03)
        assert abs(np.mean(volts)) < 4 * expected / np.sqrt(len(volts))


def test_the_converter_stops_at_the_ends_of_its_range(make):
    bench = make(signal=lambda channel, t: np.full(len(t), -99.0 if channel else 99.0))
    _, codes, _ = bench.scan(0.01)
    assert set(codes[:, 0].tolist()) == {32767}
    assert set(codes[:, 1].tolist()) == {-32768}


def test_an_input_that_clips_early_shows_the_code_of_full_scale(make):
    inputs = dict(daq_parameters().inputs)
    inputs[0] = type(inputs[0])(probe=inputs[0].probe, clip_fraction=0.5)
    bench = make(inputs=inputs, signal=lambda _channel, t: np.where(t < 5_000_000, 4.9, 5.1))
    _, codes, _ = bench.scan(0.01, channels=((0, 10.0), (1, 10.0)))
    assert set(codes[51:, 0].tolist()) == {32767}
    assert codes[:50, 0].max() < 16384
    assert codes[51:, 1].max() < 17000


def test_lost_frames_are_gaps_and_the_rest_is_unharmed(make):
    whole = make(name="whole").scan(2.0)
    spans, codes, _ = (lossy := make(name="lossy", lost_frame_fraction=0.2)).scan(2.0)
    kept = np.concatenate([np.arange(first, first + n) for first, n in spans])
    assert 0.6 < len(kept) / 20_001 < 0.95
    assert np.array_equal(codes, whole[1][kept])
    assert np.all(np.diff(kept) > 0)
    assert lossy.daq._link.decoder.missing_frames > 5


def test_a_host_that_does_not_read_loses_samples_and_sees_it(make):
    bench = make()
    bench.clock.unregister_drain(bench.daq.drain)
    spans, codes, _ = bench.scan(1.0)
    assert spans == [(0, 2000), (10_001, 0)]  # 200 ms in the device's buffer, and the end of the scan
    assert len(codes) == 2000


def test_nothing_is_converted_until_somebody_asks(make):
    bench = make()
    bench.clock.unregister_drain(bench.daq.drain)
    bench.daq.start(ScanRequest(channels=((0, 10.0),), lines=(), sample_rate_hz=10_000.0))
    bench.clock.sleep_s(0.15)
    assert bench.plant.sample_calls == 0
    bench.daq.drain()
    assert bench.plant.sample_calls == 1
    assert bench.plant.forgotten_ns == 1500 * 100_000


def test_a_schedule_happens_at_its_sample(make):
    bench = make(noise_v={10.0: 0.0, 40.0: 0.0})
    bench.daq.start(ScanRequest(channels=((100, 10.0),), lines=(5,), sample_rate_hz=10_000.0))
    bench.daq.set_analog(0, 5.0, at_sample=700)
    bench.daq.set_digital(5, True, at_sample=333)
    bench.daq.set_digital(5, False, at_sample=334)
    bench.clock.sleep_s(0.1)
    bench.daq.stop()
    _, codes, words = taken_codes(bench.daq)
    assert np.flatnonzero(words).tolist() == [334]
    assert np.argmax(codes[:, 0] > 8000) == 700


def test_the_next_sample_can_still_be_scheduled_and_the_last_one_not(make):
    bench = make()
    bench.daq.start(ScanRequest(channels=((0, 10.0),), lines=(), sample_rate_hz=10_000.0))
    bench.clock.sleep_s(0.1)
    with pytest.raises(LateScheduleError, match=r"sample 1000 is past, 1001 are taken; nothing was done"):
        bench.daq.set_digital(0, True, at_sample=1000)
    bench.daq.set_digital(0, True, at_sample=1001)
    assert not bench.plant.output_on(0)
    bench.clock.sleep_s(0.0001)
    assert bench.plant.output_on(0)


def test_a_schedule_without_a_scan_is_refused(make):
    with pytest.raises(SettingRefusedError, match="no scan is running"):
        make().daq.set_digital(0, True, at_sample=10)


def test_so_many_actions_can_wait_and_no_more(make):
    bench = make()
    bench.daq.start(ScanRequest(channels=((0, 10.0),), lines=(), sample_rate_hz=10_000.0))
    for n in range(MAX_SCHEDULED):
        bench.daq.set_digital(0, n % 2 == 0, at_sample=n // 100 + 1)
    with pytest.raises(SettingRefusedError, match="4096 actions wait already"):
        bench.daq.set_digital(0, True, at_sample=100)
    bench.clock.sleep_s(0.001)
    bench.daq.set_digital(0, True, at_sample=100)
    with pytest.raises(SettingRefusedError, match="samples ahead"):
        bench.daq.set_digital(0, True, at_sample=1 << 40)


def test_a_stop_cancels_what_waits(make):
    bench = make()
    bench.daq.start(ScanRequest(channels=((0, 10.0),), lines=(), sample_rate_hz=10_000.0))
    bench.daq.set_digital(0, True, at_sample=1000)
    bench.daq.stop()
    bench.daq.start(ScanRequest(channels=((0, 10.0),), lines=(), sample_rate_hz=10_000.0))
    bench.clock.sleep_s(0.2)
    assert not bench.plant.output_on(0)


def test_a_ramp_reads_back_on_its_way_and_a_setting_ends_it(make):
    bench = make()
    bench.daq.set_analog(1, 2.0)
    bench.daq.start(ScanRequest(channels=((101, 10.0),), lines=(), sample_rate_hz=10_000.0))
    bench.daq.ramp_analog(1, 6.0, at_sample=100, n_samples=1000)
    bench.clock.sleep_s(0.035)
    assert bench.daq.read_analog_outputs() == (0.0, 3.0, 0.0, 0.0)
    assert bench.plant.output_v(1) == pytest.approx(3.0)
    bench.daq.set_analog(1, 1.0)
    bench.clock.sleep_s(0.2)
    assert bench.daq.read_analog_outputs()[1] == 1.0
    with pytest.raises(SettingRefusedError, match="1 to 4294967296 samples"):
        bench.daq.ramp_analog(1, 6.0, at_sample=5000, n_samples=0)


def test_the_watchdog_drops_at_its_very_nanosecond_and_then_needs_a_release(make):
    bench = make()
    bench.daq.beat()
    bench.clock.sleep_s(0.3)
    bench.daq.beat()
    bench.clock.sleep_s(5.0)
    assert bench.plant.watchdog_changes == [(0, True), (800_000_000, False)]
    with pytest.raises(SettingRefusedError, match="ran out and dropped its output; release it first"):
        bench.daq.beat()
    assert not bench.daq.watchdog_on()
    bench.daq.release_watchdog()
    bench.daq.beat()
    assert bench.daq.watchdog_on()


def test_a_released_and_beaten_watchdog_runs_its_full_time(make):
    bench = make()
    bench.daq.beat()
    bench.clock.sleep_s(0.4)
    bench.daq.release_watchdog()
    bench.daq.beat()
    bench.clock.sleep_s(0.4999)
    assert bench.plant.watchdog
    bench.clock.sleep_s(0.0002)
    assert not bench.plant.watchdog


@pytest.mark.parametrize(
    ("channels", "lines", "rate_hz", "message"),
    [
        (((50, 10.0),), (), 1000.0, "no analogue input 50"),
        (((0, 10.0),), (7,), 1000.0, "no digital input 7"),
        (((0, 40.0),), (), 1000.0, "no such input range"),
        ((), (), 1000.0, "at least one input"),
        (((0, 10.0),), (), 2000.0, r"2000\.0 Hz of 1 channels is too fast"),
        (((0, 10.0), (1, 10.0)), (), 1000.0, r"1000\.0 Hz of 2 channels is too fast"),
    ],
)
def test_the_device_refuses_scans_beyond_what_it_is(make, channels, lines, rate_hz, message):
    digital_inputs = {0: daq_parameters().digital_inputs[0]}
    bench = make(noise_v={10.0: 0.0}, digital_inputs=digital_inputs, max_rate_hz=1000.0, max_total_rate_hz=1500.0)
    with pytest.raises(SettingRefusedError, match=message):
        bench.daq.start(ScanRequest(channels=channels, lines=lines, sample_rate_hz=rate_hz))


def test_a_running_scan_is_neither_changed_nor_started_again(make):
    bench = make()
    request = ScanRequest(channels=((0, 10.0),), lines=(), sample_rate_hz=1000.0)
    bench.daq.start(request)
    with pytest.raises(SettingRefusedError, match="stop it first"):
        bench.daq.start(request)


def test_a_new_host_ends_the_scan_that_an_old_one_left(make):
    bench = make()
    bench.daq.start(ScanRequest(channels=((0, 10.0),), lines=(), sample_rate_hz=1000.0))
    bench.daq._link.close()
    bench.clock.sleep_s(1.0)
    again = open_daq("simbench://daq-test", clock=bench.clock, ratings=RATINGS, name="daq", time_out_s=1.0)
    again.start(ScanRequest(channels=((0, 10.0),), lines=(), sample_rate_hz=1000.0))
    bench.clock.sleep_s(0.1)
    again.stop()
    assert taken_codes(again)[0] == [(0, 101)]
    again._link.close()
    bench.daq._closed = True  # its port is gone, as if its program had ended


def test_commands_and_read_backs_take_no_simulated_time(make):
    bench = make()
    bench.daq.start(ScanRequest(channels=((0, 10.0),), lines=(), sample_rate_hz=1000.0))
    bench.daq.set_analog(0, 1.0)
    bench.daq.read_digital_outputs()
    bench.daq.make_safe()
    bench.daq.stop()
    assert bench.plant.now_ns == 0


def test_the_device_answers_nonsense_with_an_error_and_broken_bytes_not_at_all():
    device = SimulatedDaq(plant=FakePlant(), parameters=daq_parameters(), seed=1)
    device.take_from_host(b"\xb7\x4e garbage " + encode_frame(Command.BEAT, sequence=0, tag=1, payload=b"")[:-1])
    assert device.waiting_bytes() == 0
    for kind, payload, code in ((0x7F, b"", 1), (Command.SET_ANALOG, b"short", 2), (Command.SET_DIGITAL, bytes(12), 2)):
        device.take_from_host(encode_frame(kind, sequence=0, tag=5, payload=payload))
        (reply,) = FrameDecoder().feed(device.give_to_host(device.waiting_bytes()))
        assert (reply.kind, reply.tag, decode_error(reply.payload)[0]) == (Reply.ERROR, 5, code)


def test_a_device_that_does_not_know_a_command_is_a_protocol_error(make):
    bench = make()
    bench.device._commands.pop(Command.REST)
    with pytest.raises(ProtocolError, match="no command 0x15"):
        bench.daq.make_safe()
    bench.daq._closed = True


def test_a_start_needs_a_configured_scan_and_outputs_their_bounds():
    device = SimulatedDaq(plant=FakePlant(), parameters=daq_parameters(), seed=1)
    cases = (
        (Command.START, b"\x01\x00", 11),
        (Command.STOP, b"", 6),
        (Command.SET_ANALOG, bytes.fromhex("0900 00000000 ffffffffffffffff"), 3),
        (Command.SET_ANALOG, bytes.fromhex("0000 ffffffff ffffffffffffffff"), 4),
        (Command.SET_DIGITAL, bytes.fromhex("6300 01 ffffffffffffffff"), 3),
        (Command.SET_DIGITAL, bytes.fromhex("0000 02 ffffffffffffffff"), 4),
    )
    for kind, payload, code in cases:
        device.take_from_host(encode_frame(kind, sequence=0, tag=5, payload=payload))
        (reply,) = FrameDecoder().feed(device.give_to_host(device.waiting_bytes()))
        assert (reply.kind, decode_error(reply.payload)[0]) == (Reply.ERROR, code)


def test_more_lines_than_a_word_holds_still_pack_into_the_frames():
    plant = FakePlant()
    digital_inputs = {n: daq_parameters().digital_inputs[0] for n in range(70)}
    device = SimulatedDaq(plant=plant, parameters=daq_parameters(digital_inputs=digital_inputs), seed=1)
    plant.set_digital_output(1, True)
    plant.set_digital_output(69, True)
    plant.advance_to(1)
    scan = bytes.fromhex("40420f00 0000 4600") + b"".join(n.to_bytes(2, "little") for n in range(70))
    for kind, payload in ((Command.CONFIGURE_SCAN, scan), (Command.START, b"\1\0"), (Command.STOP, b"")):
        device.take_from_host(encode_frame(kind, sequence=0, tag=5, payload=payload))
    frames = FrameDecoder().feed(device.give_to_host(device.waiting_bytes()))
    (data,) = (frame for frame in frames if frame.kind == Reply.DATA)
    assert bytes(data.payload[16:]) == bytes([2, 0, 0, 0, 0, 0, 0, 0, 0x20])
