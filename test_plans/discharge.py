"""The way out: everything off and the bus discharged, shown by a capture; and every channel at zero once more.

A channel that has drifted since the bench check has spoilt what was read on it: a finding of the bench for each, named
`discharge.zero.<signal>`, by which the run finds what rests on it.
"""

from collections.abc import Iterable, Iterator

from analysis.measurement import Observation, Result
from analysis.uncertainty import bounded, difference
from test_plans.bench_channels import noise_fault
from test_plans.bench_observation import bench_observation
from test_plans.expected import reading, typical
from test_plans.procedure import CaptureNeed, Evidence, Needs
from test_plans.readings import Record, agreement
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import Setup, UnitSheet
from test_plans.signals import all_signals, function_named, voltage_signal

REFERENCE = "reference.voltage"
RATE_HZ = 1000.0
LOOK_S = 0.3
SETTLE_S = 1.5  # the bleed goes on working: look when nothing is left to fall
CAPTURE = "discharged"
ZERO_ID = "discharge.zero."


class Discharge:
    """Bus below 1 V with everything off."""

    name = "discharge"
    title = "Discharge"
    conditions = ()

    def functions(self, setup: Setup) -> tuple[str, ...]:  # noqa: ARG002
        """Return none: it tests nothing, it leaves the bench safe."""
        return ()

    def needs(self, setup: Setup) -> Needs:
        """Return one short capture."""
        left = reading(setup, "unit.voltage", typical(setup, "discharge-voltage"))
        return Needs(
            bench_time_s=4.0,
            captures=(
                CaptureNeed(name=CAPTURE, signals=all_signals(setup.unit), sample_rate_hz=RATE_HZ, duration_s=LOOK_S),
            ),
            paths=(SupplyPath.OPEN.value,),
            limits=(("discharge-voltage", left.standard_uncertainty),),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:
        """Make safe, then look."""
        rig.make_safe()
        rig.wait(SETTLE_S)
        with rig.capture(CAPTURE, all_signals(setup.unit), sample_rate_hz=RATE_HZ) as session:
            session.wait_until(LOOK_S)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the voltage left at the unit's power pins, and every channel that does not show what it must."""
        yield (
            Record(evidence, CAPTURE)
            .mean("unit.voltage")
            .measurement(
                id="discharge.voltage",
                limit="discharge-voltage",
                title="Voltage left at the power pins, everything off",
                function=function_named(setup.unit, "power"),
                quantity_unit="V",
                pins=(setup.unit.power_pin, setup.unit.power_ground_pin),
            )
        )
        yield from self._zeros(Record(evidence, CAPTURE), setup)

    def _zeros(self, record: Record, setup: Setup) -> Iterator[Observation]:
        """Yield one observation about all channels, and one for each that is off."""
        signals = _at_zero(setup.unit)
        off = {signal: said for signal in signals if record.holds(signal) and (said := _off(record, setup, signal))}
        yield bench_observation(
            "discharge.zeros",
            "Bench: channel zeros and reference, again at the end",
            f"each of {len(signals)} channels shows what it must with everything off",
            wrong=tuple(off.values()),
            tried=record.capture is not None,
            captures=record.names,
            doubts=record.doubts(signals),
        )
        for signal, said in off.items():
            yield bench_observation(
                f"{ZERO_ID}{signal}",
                f"Bench: {signal} at the end",
                "shows what it must with everything off",
                wrong=(said,),
                tried=True,
                captures=record.names,
            )


def _at_zero(unit: UnitSheet) -> tuple[str, ...]:
    """Return the channels that must show zero, or the reference, with everything off.

    Not the power pins, whose remainder is measured, and no output that may hold its charge.
    """
    charged = {"unit.voltage", *(voltage_signal(output.name) for output in unit.outputs if output.held_up)}
    return tuple(signal for signal in all_signals(unit) if signal not in charged)


def _off(record: Record, setup: Setup, signal: str) -> str:
    """Say what a channel shows where that is not what stands at it, "" where it is or can't be told."""
    if noisy := noise_fault(record, signal):
        return noisy
    shown = record.mean(signal)
    stands_v = setup.bench.reference_v if signal == REFERENCE else 0.0
    bound_v = setup.bench.reference_bound_v if signal == REFERENCE else 0.0
    if shown.doubts or agreement(difference(shown, bounded(stands_v, bound_v, "what stands at it"))):
        return ""
    return f"{signal} shows {shown.value:.4g} where {stands_v:g} stands"
