import itertools

import pytest
from fake_plant_supply import FakePlant

from instruments.simulated.clock import DRAIN_PERIOD_NS, SimulatedClock


def make():
    plant = FakePlant()
    return plant, SimulatedClock(plant)


@pytest.mark.parametrize("duration_s", [1e-9, 0.000_05, 0.1, 1 / 3, 0.05, 7.25, 3600.0])
def test_a_wait_advances_the_plant_by_exactly_its_duration(duration_s):
    plant, clock = make()
    clock.sleep_s(duration_s)
    assert plant.now_ns == round(duration_s * 1e9)


def test_many_waits_do_not_drift():
    plant, clock = make()
    for _ in range(10_000):
        clock.sleep_s(0.1 / 3)  # 33 333 333.33 ns: each wait is rounded by itself
    assert plant.now_ns == 10_000 * 33_333_333


def test_the_clock_reads_plant_time_in_seconds():
    plant, clock = make()
    clock.sleep_s(2.5)
    assert clock.monotonic_s() == 2.5
    assert clock.now_ns == plant.now_ns


@pytest.mark.parametrize("duration_s", [0.0, -1.0])
def test_waiting_for_nothing_neither_advances_nor_drains(duration_s):
    plant, clock = make()
    clock.register_drain(lambda: pytest.fail("drained"))
    clock.sleep_s(duration_s)
    assert plant.now_ns == 0


def test_waiting_for_not_a_number_is_refused():
    _, clock = make()
    with pytest.raises(ValueError, match="NaN"):
        clock.sleep_s(float("nan"))


@pytest.mark.parametrize("step_ns", [1_000_000, 49_999_999, 50_000_000, 50_000_001, 1_000_000_000])
def test_drains_are_called_at_least_every_50_ms_however_time_is_cut(step_ns):
    _, clock = make()
    called_ns = [0]
    clock.register_drain(lambda: called_ns.append(clock.now_ns))
    for _ in range(200):
        clock.advance_ns(step_ns)
    gaps = [b - a for a, b in itertools.pairwise(called_ns)]
    assert max(gaps) <= DRAIN_PERIOD_NS
    assert clock.now_ns - called_ns[-1] < DRAIN_PERIOD_NS
    assert clock.now_ns == 200 * step_ns


def test_faces_that_advance_by_little_do_not_drain_every_time():
    _, clock = make()
    calls = []
    clock.register_drain(lambda: calls.append(clock.now_ns))
    for _ in range(100):
        clock.advance_ns(1_000_000)
    assert calls == [50_000_000, 100_000_000]


def test_a_wait_ends_with_what_has_come_being_drained():
    _, clock = make()
    calls = []
    clock.register_drain(lambda: calls.append(clock.now_ns))
    clock.sleep_s(0.010)
    clock.sleep_s(0.100)
    assert calls == [10_000_000, 60_000_000, 110_000_000]


def test_a_drain_that_waits_is_not_called_inside_itself():
    plant, clock = make()
    depth, deepest, calls = 0, 0, 0

    def drain():
        nonlocal depth, deepest, calls
        depth += 1
        calls += 1
        deepest = max(deepest, depth)
        clock.advance_ns(1_000_000)
        clock.sleep_s(0.2)
        depth -= 1

    clock.register_drain(drain)
    clock.sleep_s(0.050)
    assert (calls, deepest) == (1, 1)
    assert plant.now_ns == 50_000_000 + 201_000_000


def test_a_drain_that_fails_is_heard_and_called_again_later():
    _, clock = make()
    calls = []

    def drain():
        calls.append(clock.now_ns)
        if len(calls) == 1:
            raise RuntimeError("the stream broke")

    clock.register_drain(drain)
    with pytest.raises(RuntimeError, match="the stream broke"):
        clock.sleep_s(0.05)
    clock.sleep_s(0.05)
    assert calls == [50_000_000, 100_000_000]


def test_an_unregistered_drain_is_not_called_even_by_the_drain_before_it():
    _, clock = make()
    calls = []

    def second():
        calls.append("second")

    def first():
        calls.append("first")
        clock.unregister_drain(second)

    clock.register_drain(first)
    clock.register_drain(second)
    clock.register_drain(first)
    clock.sleep_s(0.01)
    clock.unregister_drain(first)
    clock.unregister_drain(first)
    clock.sleep_s(0.01)
    assert calls == ["first"]
