"""What the plan check expected of each limit against what a run stated of it."""

import json
from pathlib import Path

from bench.planning import plan_check
from bench.records.json_values import number_from_json
from bench.run_sheets import SheetNames, load_sheets

# A duty is worth what its periods happen to average, ten to one from one run to the next, and a worst finding of many
# outputs may be a quiet one's: of these it must only never come worse than it was foreseen.
BY_CHANCE = {
    *("dimming-bus-dependence", "dimming-cross-talk", "dimming-linearity", "dimming-tracking", "pwm-curve", "pwm-step"),
    *("dimming-regulation", "dimming-recovery", "dimming-sister-change", "trim-speed-curve", "trim-speed-gap"),
}


def off_by_more_than_twice(record, *, plan, model="dotterel-6"):
    """Return (procedure, limit) to expected over stated uncertainty of the worst finding, where not 0.5 to 2.

    Of what comes by chance, where it is below 0.5.

    Every measured finding of the record must have been expected.
    """
    checked = plan_check(load_sheets(SheetNames(bench="simulated", plan=str(plan), model=model)))
    expected = {(step.procedure, limit): u for step in checked.steps for limit, u in step.needs.limits}
    stated: dict[tuple[str, str], float] = {}
    for finding in json.loads((Path(record) / "record.json").read_text(encoding="utf-8"))["findings"]:
        if finding["limit_id"]:
            place = (finding["procedure"], finding["limit_id"])
            stated[place] = max(stated.get(place, 0.0), number_from_json(finding["standard_uncertainty"]))
    assert stated
    assert set(stated) <= set(expected), set(stated) - set(expected)
    ratios = {place: expected[place] / u for place, u in stated.items()}
    return {
        place: ratio
        for place, ratio in ratios.items()
        if not (0.5 <= ratio <= 2.0 or (ratio > 2.0 and place[1] in BY_CHANCE))
    }
