"""The aircraft sheet's settings, held one by one against what the unit reports of them. Pure."""

from collections.abc import Collection, Iterator

from analysis.measurement import Doubt, Observation
from analysis.verdict import Cause
from test_plans.readings import Record
from test_plans.sheets import ReportKind, Setup, UnitSheet
from test_plans.signals import function_named

TRIM_REVERSAL = "trim-reversal"  # a bit for each trim axis in the order of the unit sheet, set where it is reversed


def reversal_of(unit: UnitSheet, axes: Collection[str]) -> int:
    """Return what the trim reversal reads with these axes reversed."""
    return sum(1 << bit for bit, axis in enumerate(unit.trims) if axis.name in axes)


def settings_of(unit: UnitSheet) -> tuple[str, ...]:
    """Return the names of the settings that a model reports."""
    return tuple(name for name, item in unit.bus.reports.items() if item.kind is ReportKind.SETTING)


def setting_observations(record: Record, setup: Setup, step: str, when: str) -> Iterator[Observation]:
    """Yield for each reported setting whether it is as the aircraft needs it; `when` is "as found" or "as left".

    A unit set up for another aircraft is the unit's fail: it must not go into this one as it is.
    """
    for name in settings_of(setup.unit):
        found, wanted = record.count(name, last=True), setup.aircraft.settings[name]
        unreported = Doubt(
            reason=f"{record.name}: setting {name} was not reported",
            cause=Cause.UNDECIDED,
            next_step="check that reports come at all (ready time), and the report's identifier in the unit sheet",
        )
        yield Observation(
            id=f"{step}.setting.{name}",
            title=f"Setting {name}, {when}",
            function=function_named(setup.unit, "power"),
            statement=f"the unit reports {name} {wanted}, as the aircraft needs it",
            trials=int(found is not None),
            failures=int(found not in {None, wanted}),
            detail=f"it reports {found}, aircraft sheet {setup.aircraft.name} has {wanted}",
            source=f"aircraft sheet {setup.aircraft.name}",
            doubts=record.missing or ((unreported,) if found is None else ()),
            captures=record.names,
            notes=() if found is None else (f"{name} {when}: {found}",),
        )
