"""The way out: everything off and the bus discharged, shown by a capture."""

from collections.abc import Iterable

from analysis.measurement import Result
from test_plans.procedure import CaptureNeed, Evidence, Needs
from test_plans.readings import Record
from test_plans.rig import Rig, SupplyPath
from test_plans.sheets import Setup
from test_plans.signals import function_named

RATE_HZ = 1000.0
LOOK_S = 0.3
SETTLE_S = 0.5  # the bleed goes on working: look when little is left to fall
CAPTURE = "discharged"


class Discharge:
    """Bus below 1 V with everything off."""

    name = "discharge"
    title = "Discharge"

    def functions(self, setup: Setup) -> tuple[str, ...]:  # noqa: ARG002
        """Return none: it tests nothing, it leaves the bench safe."""
        return ()

    def needs(self, setup: Setup) -> Needs:  # noqa: ARG002
        """Return one short capture."""
        return Needs(
            bench_time_s=3.0,
            captures=(
                CaptureNeed(name=CAPTURE, signals=("supply.voltage",), sample_rate_hz=RATE_HZ, duration_s=LOOK_S),
            ),
            paths=(SupplyPath.OPEN.value,),
            limits=(("discharge-voltage", 6e-3),),
        )

    def stimulate(self, rig: Rig, setup: Setup) -> None:  # noqa: ARG002
        """Make safe, then look."""
        rig.make_safe()
        rig.wait(SETTLE_S)
        with rig.capture(CAPTURE, ("supply.voltage",), sample_rate_hz=RATE_HZ) as session:
            session.wait_until(LOOK_S)

    def follow_up(self, rig: Rig, setup: Setup, evidence: Evidence) -> bool:  # noqa: ARG002
        """Take nothing more."""
        return False

    def evaluate(self, evidence: Evidence, setup: Setup) -> Iterable[Result]:
        """Give the voltage left at the unit's power pins."""
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
