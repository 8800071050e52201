"""Whether an input changes once only while its pin creeps over a threshold.

At 0.5 V/s a pin stands for many scans within the noise of the unit's comparator. Hysteresis larger than that noise
lets one change through; with too little of it the input chatters, though both thresholds may lie where they should.
"""

from analysis.measurement import Doubt, Observation
from test_plans.discrete_reports import counted_between, report_doubts
from test_plans.held_pins import reach_doubts
from test_plans.procedure import Evidence
from test_plans.readings import Record
from test_plans.sheets import Discrete, Setup
from test_plans.signals import function_named

MORE_THAN_ONE = 2


def slow_edge(
    record: Record, evidence: Evidence, setup: Setup, discrete: Discrete, held: tuple[Doubt, ...]
) -> Observation:
    """Return that the change counter went up by one at most on each ramp of a capture: there, and back.

    A ramp that changes nothing is a matter of its threshold, which is judged by itself.
    """
    ramps = record.stimuli(discrete.name)[1:3]  # ahead of them the line is put to its inactive end
    instants_s = [*(ramp.time_s for ramp in ramps), record.duration_s]
    counted = [found for found in counted_between(record.reports(discrete.report), instants_s) if found is not None]
    chattering = [found for found in counted if found >= MORE_THAN_ONE]
    return Observation(
        id=f"{discrete.name}.slow-edge",
        title=f"{discrete.title}: changes once while its pin creeps over a threshold",
        function=function_named(setup.unit, "discretes"),
        statement="the change counter goes up by one at most on each slow ramp",
        trials=len(counted),
        failures=len(chattering),
        detail=f"changes counted on a ramp: {', '.join(map(str, chattering))}" if chattering else "",
        doubts=(*report_doubts(record, evidence, setup, discrete), *held, *reach_doubts(record, setup, discrete)),
        captures=record.names,
        pins=(discrete.pin,),
    )
