"""Results held against limits: makes the findings. What can't be judged is inconclusive, never a pass."""

import math
from collections.abc import Iterable
from dataclasses import replace

from analysis.conformity import Zone, conformity_probability, margin, margin_percent, simple_acceptance, three_zone
from analysis.finding import Finding, Limit, LimitKind
from analysis.measurement import Doubt, Measurement, Observation
from analysis.statistics import WORST_CASE_TRIALS
from analysis.uncertainty import coverage_factor
from analysis.verdict import Cause, Verdict

THREE_ZONE = "three-zone"
SIMPLE = "simple"
EXACT = "exact"

_WEIGHT = {Cause.UNDECIDED: 0, Cause.BENCH: 2, Cause.UNIT: 3}  # a fault of the unit stands in a doubt only if proved
_BARRED_WEIGHT = 1  # of one that was proved elsewhere


def judge(
    measurement: Measurement, limit: Limit, *, procedure: str, attempt: int = 1, mandatory: bool = True
) -> Finding:
    """Hold a measurement against a limit.

    Kind `specification`: rule `three-zone` with U = t(95.45 %, nu_eff) u; inside by at least U passes, outside by
    more than U fails, between is inconclusive and undecided. Kind `test_limit`: rule `simple`, inside passes and
    outside fails. A pass against a worst-case limit also needs 59 trials. Any doubt makes it inconclusive with the
    doubt's cause, the bench's before an undecided one; a doubt whose cause is the unit is a proved fault and fails,
    unless it was proved by another result and only keeps this one from being had: inconclusive, cause unit.
    A value or uncertainty that is not finite is inconclusive, cause bench unless doubts say otherwise. A value in doubt
    has neither margin nor conformity probability: a clipped one has nothing to spare.
    """
    doubts = (*measurement.doubts, *_unusable(measurement, limit))
    expanded = coverage_factor(measurement.degrees_of_freedom) * measurement.standard_uncertainty
    if limit.kind is LimitKind.TEST_LIMIT:
        rule, zone = SIMPLE, simple_acceptance(measurement.value, limit.low, limit.high)
    else:
        rule, zone = THREE_ZONE, three_zone(measurement.value, expanded, limit.low, limit.high)
    if not doubts:
        doubts = _undecided(measurement, limit, zone)
    if doubts:
        verdict, cause = _doubtful(doubts)
    elif zone is Zone.INSIDE:
        verdict, cause = Verdict.PASS, None
    else:
        verdict, cause = Verdict.FAIL, Cause.UNIT
    finding = Finding(
        id=measurement.id,
        procedure=procedure,
        function=measurement.function,
        title=measurement.title,
        verdict=verdict,
        cause=cause,
        value=measurement.value,
        quantity_unit=measurement.quantity_unit,
        standard_uncertainty=measurement.standard_uncertainty,
        degrees_of_freedom=measurement.degrees_of_freedom,
        low=limit.low,
        high=limit.high,
        margin=margin(measurement.value, limit),
        margin_percent=margin_percent(measurement.value, limit),
        rule=rule,
        conformity_probability=conformity_probability(
            measurement.value, measurement.standard_uncertainty, measurement.degrees_of_freedom, limit.low, limit.high
        ),
        limit_id=limit.id,
        limit_source=limit.quoted,
        capture=_first(measurement.captures),
        captures=measurement.captures,
        attempt=attempt,
        expanded_uncertainty=expanded,
        reasons=_reasons(doubts),
        next_step=_next_step(doubts),
        pins=measurement.pins,
        notes=measurement.notes,
        mandatory=mandatory,
    )
    return without_margin(finding) if measurement.doubts else finding


def without_margin(finding: Finding) -> Finding:
    """Return a finding whose value can't be relied on: nothing is said of how far it is from its limit."""
    return replace(finding, margin=math.nan, margin_percent=math.nan, conformity_probability=math.nan)


def observe(observation: Observation, *, procedure: str, attempt: int = 1, mandatory: bool = True) -> Finding:
    """Judge a logical result, rule `exact`: it holds when no trial failed.

    The finding's title says what was looked at and what must hold: "Discrete 3: follows its stimulus".
    A failure is put down to `cause_if_failed`: the unit's fails, any other is inconclusive with that cause. Doubts
    count as in `judge`; without a single trial it is inconclusive, cause bench.

    Raises:
        ValueError: more failures than trials, or negative counts.
    """
    trials, failures = observation.trials, observation.failures
    if not 0 <= failures <= trials:
        raise ValueError(f"observation {observation.id}: {failures} failures in {trials} trials is no such count")
    doubts = observation.doubts
    if trials == 0 and not doubts:
        doubts = (Doubt(reason="it was not tried once", cause=Cause.BENCH),)
    reasons, next_step = _reasons(doubts), _next_step(doubts)
    if doubts:
        verdict, cause = _doubtful(doubts)
    elif failures:
        blamed = observation.cause_if_failed
        verdict, cause = (Verdict.FAIL if blamed is Cause.UNIT else Verdict.INCONCLUSIVE), blamed
        reasons = (observation.detail or f"{failures} of {trials} trials failed",)
        next_step = "" if blamed is Cause.UNIT else observation.next_step
    else:
        verdict, cause = Verdict.PASS, None
    return Finding(
        id=observation.id,
        procedure=procedure,
        function=observation.function,
        title=_titled(observation),
        verdict=verdict,
        cause=cause,
        rule=EXACT,
        limit_source=observation.source,
        capture=_first(observation.captures),
        captures=observation.captures,
        attempt=attempt,
        trials=trials,
        failures=failures,
        reasons=reasons,
        next_step=next_step,
        pins=observation.pins,
        notes=observation.notes,
        mandatory=mandatory,
    )


def not_run(
    *,
    id: str,  # noqa: A002, the contract's own name
    procedure: str,
    function: str,
    title: str,
    reason: str,
    cause: Cause | None = None,
    next_step: str = "",
    attempt: int = 1,
    mandatory: bool = True,
) -> Finding:
    """Return the finding that something was not run, and why."""
    return Finding(
        id=id,
        procedure=procedure,
        function=function,
        title=title,
        verdict=Verdict.NOT_RUN,
        cause=cause,
        attempt=attempt,
        reasons=(reason,),
        next_step=next_step,
        mandatory=mandatory,
    )


def _titled(observation: Observation) -> str:
    """Return the title with the statement behind it, unless it says that already."""
    title, statement = observation.title, observation.statement
    return title if statement in title else f"{title}: {statement}"


def _unusable(measurement: Measurement, limit: Limit) -> tuple[Doubt, ...]:
    """Return why the figures themselves can't be judged."""
    reasons = []
    if not math.isfinite(measurement.value):
        if not measurement.doubts:  # else they say why
            reasons.append("no value could be measured")
    elif not (math.isfinite(measurement.standard_uncertainty) and measurement.standard_uncertainty >= 0.0):
        reasons.append("the uncertainty of the value is not known")
    elif not measurement.degrees_of_freedom >= 1.0:
        reasons.append("the degrees of freedom of the uncertainty are not known")
    if measurement.quantity_unit != limit.quantity_unit:
        reasons.append(f"measured in {measurement.quantity_unit!r}, but limit {limit.id} is in {limit.quantity_unit!r}")
    return tuple(Doubt(reason=reason, cause=Cause.BENCH) for reason in reasons)


def _undecided(measurement: Measurement, limit: Limit, zone: Zone) -> tuple[Doubt, ...]:
    """Return why sound figures still decide nothing."""
    if zone is Zone.BETWEEN:
        largest = max(measurement.components, key=lambda component: component.contribution, default=None)
        return (
            Doubt(
                reason="the value is nearer to its limit than its uncertainty",
                cause=Cause.UNDECIDED,
                next_step=f"measure with less uncertainty; most of it is {largest.name}" if largest else "",
            ),
        )
    if limit.worst_case and zone is Zone.INSIDE and (measurement.trials or 0) < WORST_CASE_TRIALS:
        return (
            Doubt(
                reason=f"the worst of {measurement.trials or 'unknown many'} trials is no worst case; "
                f"95/95 needs {WORST_CASE_TRIALS}",
                cause=Cause.UNDECIDED,
                next_step=f"take {WORST_CASE_TRIALS} trials",
            ),
        )
    return ()


def _doubtful(doubts: Iterable[Doubt]) -> tuple[Verdict, Cause]:
    weightiest = max(doubts, key=_weight)
    proved = weightiest.cause is Cause.UNIT and not weightiest.proved_by
    return (Verdict.FAIL if proved else Verdict.INCONCLUSIVE), weightiest.cause


def _weight(doubt: Doubt) -> int:
    return _BARRED_WEIGHT if doubt.proved_by else _WEIGHT[doubt.cause]


def _reasons(doubts: Iterable[Doubt]) -> tuple[str, ...]:
    """Return each reason once, those that decided first."""
    ranked = sorted(doubts, key=lambda doubt: -_weight(doubt))
    return tuple(dict.fromkeys(doubt.reason for doubt in ranked))


def _next_step(doubts: Iterable[Doubt]) -> str:
    """Return the step of the doubt that weighs most; where the unit is proved, no other one is left to take."""
    ranked = sorted(doubts, key=lambda doubt: -_weight(doubt))
    if ranked and ranked[0].cause is Cause.UNIT:
        ranked = [doubt for doubt in ranked if doubt.cause is Cause.UNIT]
    return next((doubt.next_step for doubt in ranked if doubt.next_step), "")


def _first(captures: tuple[str, ...]) -> str:
    return captures[0] if captures else ""
