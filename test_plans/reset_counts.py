"""The unit's reset count as it is carried from one procedure to the next: kept in the record, never judged. Pure."""

from collections.abc import Iterator
from itertools import pairwise

from analysis.measurement import Measurement
from test_plans.procedure import Evidence
from test_plans.readings import Record
from test_plans.sheets import Setup
from test_plans.signals import function_named

ITEM = "reset-count"


def left(procedure: str, count: int, setup: Setup) -> Measurement:
    """Return the reset count that a procedure left."""
    return _kept(f"{procedure}.{ITEM}", "Reset count as left", count, setup)


def asked_for(procedure: str, resets: int | None, setup: Setup) -> Iterator[Measurement]:
    """Yield how often a procedure had the unit reset on purpose, where that is known."""
    if resets is not None:
        yield _kept(f"{procedure}.resets", "Resets on purpose", resets, setup)


def counted_over(evidence: Evidence) -> int:
    """Return how often the unit was reset over all captures; a count that went down was forgotten without power."""
    records = [Record(evidence, name) for name in evidence.names()]
    counts = [record.count(ITEM, last=last) for record in records for last in (False, True)]
    return sum(max(0, after - before) for before, after in pairwise(count for count in counts if count is not None))


def left_by(procedure: str, evidence: Evidence) -> int | None:
    """Return the reset count that an earlier procedure left; None where it saw none."""
    found = evidence.earlier(f"{procedure}.{ITEM}")
    return None if found is None else round(found.value)


def left_before(evidence: Evidence, setup: Setup) -> int | None:
    """Return the reset count that the last procedure ahead of this step left; None where none saw one.

    That may be an earlier try of this step itself.
    """
    names = [step.procedure for step in setup.plan.steps]
    ahead = names[: names.index(setup.step.procedure) + 1] if setup.step.procedure in names else names
    return next((count for name in reversed(ahead) if (count := left_by(name, evidence)) is not None), None)


def asked_for_so_far(evidence: Evidence, setup: Setup) -> int:
    """Return how often the earlier procedures of the plan had the unit reset on purpose."""
    found = (evidence.earlier(f"{step.procedure}.resets") for step in setup.plan.steps)
    return sum(round(one.value) for one in found if one is not None)


def _kept(id_: str, title: str, count: int, setup: Setup) -> Measurement:
    return Measurement(
        id=id_,
        limit="",
        title=title,
        function=function_named(setup.unit, "power"),
        value=float(count),
        quantity_unit="",
        standard_uncertainty=0.0,
    )
