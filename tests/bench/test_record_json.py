import csv
import io
import json
import math
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.finding import Finding
from analysis.measurement import Component, Curve, Doubt, Measurement, Observation
from analysis.verdict import Cause, Verdict
from bench.records.dataclass_json import from_json, to_json
from bench.records.findings_csv import findings_csv
from bench.records.json_values import fields_to_json, json_number, number_from_json
from bench.records.result_json import result_from_json, result_to_json
from bench.records.run_facts import RunFacts, RunOutcome, RunStatus

FLOATS = st.floats()
TEXTS = st.text(max_size=8)
TUPLES = st.lists(TEXTS, max_size=2).map(tuple)
DOUBTS = st.lists(st.builds(Doubt, reason=TEXTS, cause=st.sampled_from(Cause), next_step=TEXTS), max_size=2).map(tuple)
COMPONENTS = st.lists(st.builds(Component, name=TEXTS, contribution=FLOATS, degrees_of_freedom=FLOATS), max_size=2).map(
    tuple
)
AXES = st.lists(FLOATS, max_size=3).map(tuple)
SERIES = st.dictionaries(TEXTS, st.tuples(AXES, AXES), max_size=2)

MEASUREMENTS = st.builds(
    Measurement,
    **dict.fromkeys(("id", "limit", "title", "function", "quantity_unit"), TEXTS),
    **dict.fromkeys(("value", "standard_uncertainty", "degrees_of_freedom"), FLOATS),
    **dict.fromkeys(("captures", "pins", "notes"), TUPLES),
    components=COMPONENTS,
    doubts=DOUBTS,
)
OBSERVATIONS = st.builds(
    Observation,
    **dict.fromkeys(("id", "title", "function", "statement", "detail", "source"), TEXTS),
    **dict.fromkeys(("trials", "failures"), st.integers()),
    **dict.fromkeys(("captures", "pins", "notes"), TUPLES),
    cause_if_failed=st.sampled_from(Cause),
    doubts=DOUBTS,
)
CURVES = st.builds(
    Curve,
    **dict.fromkeys(("id", "title", "function", "x_label", "y_label", "capture"), TEXTS),
    series=SERIES,
    bands=SERIES,
)
FINDINGS = st.builds(
    Finding,
    **dict.fromkeys(
        ("id", "procedure", "function", "title", "quantity_unit", "rule", "limit_id", "limit_source", "capture"), TEXTS
    ),
    **dict.fromkeys(("value", "standard_uncertainty", "degrees_of_freedom", "low", "high", "margin"), FLOATS),
    **dict.fromkeys(("margin_percent", "conformity_probability", "expanded_uncertainty"), FLOATS),
    **dict.fromkeys(("captures", "reasons", "pins", "notes"), TUPLES),
    **dict.fromkeys(("trials", "failures"), st.none() | st.integers()),
    verdict=st.sampled_from(Verdict),
    cause=st.none() | st.sampled_from(Cause),
    attempt=st.integers(1, 9),
    next_step=TEXTS,
    mandatory=st.booleans(),
)


def through_text(document):
    return json.loads(json.dumps(document, allow_nan=False))


@given(FINDINGS)
def test_a_finding_survives_to_the_last_digit(finding):
    back = from_json(Finding, through_text(to_json(finding)))
    assert repr(back) == repr(finding)  # repr, for NaN is not equal to itself


@given(st.one_of(MEASUREMENTS, OBSERVATIONS, CURVES))
def test_a_result_survives_to_the_last_digit(result):
    back = result_from_json(through_text(result_to_json(result)))
    assert repr(back) == repr(result)


def test_no_field_of_a_finding_or_of_a_run_is_forgotten():
    finding = Finding(id="a", procedure="p", function="f", title="t", verdict=Verdict.PASS, cause=None)
    assert list(to_json(finding)) == [field.name for field in fields(Finding)]
    facts = RunFacts(software_version="", serial="", model="", aircraft="", plan="", bench="", simulated=True)
    assert list(to_json(facts)) == [field.name for field in fields(RunFacts)]
    assert set(to_json(an_outcome())) == {field.name for field in fields(RunOutcome)}


def an_outcome():
    return RunOutcome(
        status=RunStatus.COMPLETE,
        verdict=Verdict.PASS,
        cause=None,
        partial=False,
        not_tested=(),
        bench_time_s=1.0,
        wall_time_s=1.0,
        peak_memory_mb=1.0,
    )


def test_open_limits_stay_open_and_absent_ones_absent():
    one_sided = Finding(id="a", procedure="p", function="f", title="t", verdict=Verdict.PASS, cause=None, low=-math.inf)
    document = through_text(to_json(one_sided))
    assert (document["low"], document["high"]) == ("-inf", None)
    back = from_json(Finding, document)
    assert back.low == -math.inf
    assert math.isnan(back.high)


def test_an_unknown_shape_of_result_is_refused():
    with pytest.raises(ValueError, match="no shape of result"):
        result_from_json({"shape": "picture"})


def test_a_text_that_is_no_infinity_is_no_number():
    with pytest.raises(ValueError, match="is no number"):
        number_from_json("1.0")


def test_what_a_field_can_not_hold_is_refused_by_name():
    with pytest.raises(TypeError, match="field samples: ndarray"):
        fields_to_json({"samples": np.zeros(3)})


@pytest.mark.parametrize(
    ("value", "expected"), [(1.5, 1.5), (math.nan, None), (math.inf, None), (-math.inf, None), (None, None)]
)
def test_numbers_for_other_programs_are_finite_or_null(value, expected):
    assert json_number(value) == expected


def test_the_table_of_findings_keeps_numbers_and_disarms_formulas():
    finding = Finding(
        id="a.b",
        procedure="p",
        function="f",
        title='=HYPERLINK("x"), "quoted"\nline',
        verdict=Verdict.FAIL,
        cause=Cause.UNIT,
        value=0.1 + 0.2,
        margin=-0.25,
        high=math.inf,
        reasons=("one", "two"),
    )
    rows = list(csv.DictReader(io.StringIO(findings_csv([finding, finding]))))
    assert len(rows) == 2
    assert list(rows[0]) == [field.name for field in fields(Finding)]
    assert rows[0]["title"] == "'" + finding.title
    assert float(rows[0]["value"]) == 0.1 + 0.2
    assert (rows[0]["margin"], rows[0]["high"], rows[0]["low"]) == ("-0.25", "inf", "")
    assert rows[0]["reasons"] == "one; two"
    assert (rows[0]["verdict"], rows[0]["cause"], rows[0]["trials"]) == ("fail", "unit", "")


def test_a_run_without_findings_still_has_a_table():
    assert findings_csv([]).startswith("id,procedure,function,")
