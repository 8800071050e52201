"""Which switches are held at which rate of the bus, where it turns, and how long it all takes."""

from dataclasses import dataclass

from test_plans.bus_ramp import BELOW_V, RESET_LIMIT
from test_plans.bus_slope import Slope, beyond_reach, rates_of
from test_plans.conditions import count, number, required_limit
from test_plans.driving import LEAD_S, POWER_UP_RATE_V_PER_S, axes_under_test, ready_within_s
from test_plans.profile_shot import moving_outputs
from test_plans.rig import CaptureSession
from test_plans.sheets import Setup, TrimAxis, TrimSwitch
from test_plans.signals import voltage_signal

RATE_HZ = 2000.0
FIRST_V_PER_S, LAST_V_PER_S, RATES = 0.5, 50.0, 3
COMES_ON_V_PER_S = 50.0
LIMIT_A = 3.0  # far above what the unit draws, so that charging it at any rate is no limit
ABOVE_V = 0.4  # of the highest release allowed: there the bus stands
PRESS_ABOVE_V = 0.3  # of the highest lock-out allowed: pressed there, a switch is locked out before it is cut off
DRIVES_S = 0.4
STANDS_S = 0.3
SHORTEST_S = 0.5  # high again, the switch still held
READY_MORE_S = 0.2
PAUSE_S = 0.3
AGAIN_S = 0.3
RELEASE_IN_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One capture: at most one switch of every axis, held through one fall and rise, or through the bus coming on."""

    name: str
    rate_v_per_s: float
    switches: tuple[TrimSwitch, ...]
    comes_on: bool = False

    def slope(self, setup: Setup) -> Slope:
        """Return how the bus falls and rises: from just above the lock-out to below the reset, and above the release.

        A model without a reset voltage turns below the lock-out.
        """
        lock_out = required_limit(setup, "lock-out-voltage")
        return Slope(
            from_v=lock_out.high + PRESS_ABOVE_V,
            low_v=setup.unit.limits.get(RESET_LIMIT, lock_out).low - BELOW_V,
            to_v=high_v(setup),
            rate_v_per_s=self.rate_v_per_s,
            stands_s=STANDS_S,
        )

    def held_on_s(self, setup: Setup) -> float:
        """Return how long a switch is held on after the rise: the unit must be ready by then, and a scan have come.

        It starts below the lock-out, so what the bus took from there on is taken off.
        """
        rises_s = (high_v(setup) - required_limit(setup, "lock-out-voltage").high) / self.rate_v_per_s
        return max(SHORTEST_S, ready_s(setup) - rises_s)

    def duration_s(self, setup: Setup) -> float:
        """Return how long its capture takes."""
        again_s = RELEASE_IN_S + 2.0 * PAUSE_S + AGAIN_S
        if self.comes_on:
            rises_s = setup.unit.nominal_voltage_v / self.rate_v_per_s
            return 2.0 * LEAD_S + rises_s + ready_s(setup) + again_s
        slope = self.slope(setup)
        settles_s = (slope.to_v - slope.from_v) / POWER_UP_RATE_V_PER_S
        return settles_s + LEAD_S + DRIVES_S + slope.duration_s + self.held_on_s(setup) + again_s


def ramp_shots(setup: Setup) -> tuple[Shot, ...]:
    """Return the falls and rises: so many switches of an axis at each rate, in turn; without condition `trials` all."""
    turns = _turns(setup)
    trials = count(setup, "trials", len(turns))
    places = (
        (rate, place, index * trials + place) for index, rate in enumerate(_rates(setup)) for place in range(trials)
    )
    return tuple(
        Shot(name=f"ramp-{rate:g}-{place + 1}", rate_v_per_s=rate, switches=turns[turn % len(turns)])
        for rate, place, turn in places
    )


def come_on_shots(setup: Setup) -> tuple[Shot, ...]:
    """Return the shots in which the bus comes on, every switch held once."""
    rate = min(COMES_ON_V_PER_S, setup.bench.supply.slew_up_v_per_s)
    return tuple(
        Shot(name=f"power-{place + 1}", rate_v_per_s=rate, switches=switches, comes_on=True)
        for place, switches in enumerate(_turns(setup))
    )


def untested(setup: Setup) -> tuple[str, ...]:
    """Return in sentences the rates the supply does not follow, and that not every switch is held at every rate."""
    turns, beyond = _turns(setup), beyond_reach(setup, _split(setup)[1])
    trials = count(setup, "trials", len(turns))
    if trials >= len(turns):
        return beyond
    said = f"Switches held on a ramp of the bus: {trials} of up to {len(turns)} of an axis at each rate, in turn"
    return (*beyond, said)


def press_anew(session: CaptureSession, switches: tuple[TrimSwitch, ...]) -> None:
    """Let the switches go and press them once more."""
    let_go_s = session.now_s + RELEASE_IN_S
    for switch in switches:
        session.release(switch.name, at_s=let_go_s)
    for switch in switches:
        session.press(switch.name, at_s=let_go_s + PAUSE_S)
    for switch in switches:
        session.release(switch.name, at_s=let_go_s + PAUSE_S + AGAIN_S)
    session.wait_until(let_go_s + 2.0 * PAUSE_S + AGAIN_S)


def signals_of(setup: Setup) -> tuple[str, ...]:
    """Return every output that may move, the axes among them."""
    return tuple(voltage_signal(name) for name in moving_outputs(setup))


def high_v(setup: Setup) -> float:
    """Return where the bus stands before and after: motion is free there."""
    return required_limit(setup, "release-voltage").high + ABOVE_V


def limit_a(setup: Setup) -> float:
    """Return the supply's current limit."""
    return number(setup, "current_limit_a", LIMIT_A)


def ready_s(setup: Setup) -> float:
    """Return when a unit that may still pass is ready for sure, after its start."""
    return ready_within_s(setup) + READY_MORE_S


def _rates(setup: Setup) -> tuple[float, ...]:
    return _split(setup)[0]


def _split(setup: Setup) -> tuple[tuple[float, ...], tuple[float, ...]]:
    return rates_of(setup, first=FIRST_V_PER_S, last=LAST_V_PER_S, rates=RATES)


def _turns(setup: Setup) -> tuple[tuple[TrimSwitch, ...], ...]:
    """Return which switches are held at a time: one of every axis, those of an axis one after the other."""
    orders = [_order(axis) for axis in axes_under_test(setup)]
    return tuple(
        tuple(order[place % len(order)] for order in orders) for place in range(max(len(order) for order in orders))
    )


def _order(axis: TrimAxis) -> tuple[TrimSwitch, ...]:
    """Return an axis's switches, the second the other way and of another seat than the first where there is one."""
    first, *others = axis.switches
    others.sort(key=lambda switch: (switch.polarity == first.polarity, switch.seat == first.seat))
    return (first, *others)
