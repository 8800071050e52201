"""What the plan check expected of each limit against what a run stated of it."""

import json
from pathlib import Path

from bench.planning import plan_check
from bench.records.json_values import number_from_json
from bench.run_sheets import SheetNames, load_sheets


def off_by_more_than_twice(record, *, plan, model="dotterel-6"):
    """Return (procedure, limit) to expected over stated uncertainty of the worst finding, where not 0.5 to 2.

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
    return {place: ratio for place, ratio in ratios.items() if not 0.5 <= ratio <= 2.0}
