"""Results and findings to JSON and back, field by field, so that a reader sees what a record holds.

Floats go through `json_values`: nothing is rounded, and judging what was read back gives the same finding to
the last digit.
"""

from collections.abc import Mapping
from typing import Any

from analysis.finding import Finding
from analysis.measurement import Component, Curve, Doubt, Measurement, Observation, Result
from analysis.verdict import Cause, Verdict
from bench.records.json_values import number_from_json, number_to_json

Series = Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]]


def result_to_json(result: Result) -> dict[str, Any]:
    """Return a result for a file; `shape` says which of the three it is."""
    if isinstance(result, Measurement):
        return {"shape": "measurement", **measurement_to_json(result)}
    if isinstance(result, Observation):
        return {"shape": "observation", **observation_to_json(result)}
    return {"shape": "curve", **curve_to_json(result)}


def result_from_json(document: Mapping[str, Any]) -> Result:
    """Return the result that `result_to_json` wrote.

    Raises:
        ValueError: an unknown shape.
    """
    shape = document["shape"]
    if shape == "measurement":
        return measurement_from_json(document)
    if shape == "observation":
        return observation_from_json(document)
    if shape == "curve":
        return curve_from_json(document)
    raise ValueError(f"{shape!r} is no shape of result; measurement, observation or curve stands here")


def measurement_to_json(measurement: Measurement) -> dict[str, Any]:
    """Return a measurement for a file."""
    return {
        "id": measurement.id,
        "limit": measurement.limit,
        "title": measurement.title,
        "function": measurement.function,
        "value": number_to_json(measurement.value),
        "quantity_unit": measurement.quantity_unit,
        "standard_uncertainty": number_to_json(measurement.standard_uncertainty),
        "degrees_of_freedom": number_to_json(measurement.degrees_of_freedom),
        "components": [_component_to_json(component) for component in measurement.components],
        "doubts": [_doubt_to_json(doubt) for doubt in measurement.doubts],
        "captures": list(measurement.captures),
        "pins": list(measurement.pins),
        "notes": list(measurement.notes),
        "trials": measurement.trials,
    }


def measurement_from_json(document: Mapping[str, Any]) -> Measurement:
    """Return the measurement that `measurement_to_json` wrote."""
    return Measurement(
        id=document["id"],
        limit=document["limit"],
        title=document["title"],
        function=document["function"],
        value=number_from_json(document["value"]),
        quantity_unit=document["quantity_unit"],
        standard_uncertainty=number_from_json(document["standard_uncertainty"]),
        degrees_of_freedom=number_from_json(document["degrees_of_freedom"]),
        components=tuple(_component_from_json(component) for component in document["components"]),
        doubts=tuple(_doubt_from_json(doubt) for doubt in document["doubts"]),
        captures=tuple(document["captures"]),
        pins=tuple(document["pins"]),
        notes=tuple(document["notes"]),
        trials=document["trials"],
    )


def observation_to_json(observation: Observation) -> dict[str, Any]:
    """Return an observation for a file."""
    return {
        "id": observation.id,
        "title": observation.title,
        "function": observation.function,
        "statement": observation.statement,
        "trials": observation.trials,
        "failures": observation.failures,
        "detail": observation.detail,
        "source": observation.source,
        "cause_if_failed": observation.cause_if_failed.value,
        "doubts": [_doubt_to_json(doubt) for doubt in observation.doubts],
        "captures": list(observation.captures),
        "pins": list(observation.pins),
        "notes": list(observation.notes),
    }


def observation_from_json(document: Mapping[str, Any]) -> Observation:
    """Return the observation that `observation_to_json` wrote."""
    return Observation(
        id=document["id"],
        title=document["title"],
        function=document["function"],
        statement=document["statement"],
        trials=document["trials"],
        failures=document["failures"],
        detail=document["detail"],
        source=document["source"],
        cause_if_failed=Cause(document["cause_if_failed"]),
        doubts=tuple(_doubt_from_json(doubt) for doubt in document["doubts"]),
        captures=tuple(document["captures"]),
        pins=tuple(document["pins"]),
        notes=tuple(document["notes"]),
    )


def curve_to_json(curve: Curve) -> dict[str, Any]:
    """Return a curve for a file."""
    return {
        "id": curve.id,
        "title": curve.title,
        "function": curve.function,
        "x_label": curve.x_label,
        "y_label": curve.y_label,
        "series": _series_to_json(curve.series),
        "bands": _series_to_json(curve.bands),
        "capture": curve.capture,
    }


def curve_from_json(document: Mapping[str, Any]) -> Curve:
    """Return the curve that `curve_to_json` wrote."""
    return Curve(
        id=document["id"],
        title=document["title"],
        function=document["function"],
        x_label=document["x_label"],
        y_label=document["y_label"],
        series=_series_from_json(document["series"]),
        bands=_series_from_json(document["bands"]),
        capture=document["capture"],
    )


def finding_to_json(finding: Finding) -> dict[str, Any]:
    """Return a finding for a file."""
    return {
        "id": finding.id,
        "procedure": finding.procedure,
        "function": finding.function,
        "title": finding.title,
        "verdict": finding.verdict.value,
        "cause": finding.cause.value if finding.cause is not None else None,
        "value": number_to_json(finding.value),
        "quantity_unit": finding.quantity_unit,
        "standard_uncertainty": number_to_json(finding.standard_uncertainty),
        "degrees_of_freedom": number_to_json(finding.degrees_of_freedom),
        "low": number_to_json(finding.low),
        "high": number_to_json(finding.high),
        "margin": number_to_json(finding.margin),
        "margin_percent": number_to_json(finding.margin_percent),
        "rule": finding.rule,
        "conformity_probability": number_to_json(finding.conformity_probability),
        "limit_id": finding.limit_id,
        "limit_source": finding.limit_source,
        "capture": finding.capture,
        "captures": list(finding.captures),
        "attempt": finding.attempt,
        "trials": finding.trials,
        "failures": finding.failures,
        "expanded_uncertainty": number_to_json(finding.expanded_uncertainty),
        "reasons": list(finding.reasons),
        "next_step": finding.next_step,
        "pins": list(finding.pins),
        "notes": list(finding.notes),
        "mandatory": finding.mandatory,
    }


def finding_from_json(document: Mapping[str, Any]) -> Finding:
    """Return the finding that `finding_to_json` wrote."""
    return Finding(
        id=document["id"],
        procedure=document["procedure"],
        function=document["function"],
        title=document["title"],
        verdict=Verdict(document["verdict"]),
        cause=Cause(document["cause"]) if document["cause"] is not None else None,
        value=number_from_json(document["value"]),
        quantity_unit=document["quantity_unit"],
        standard_uncertainty=number_from_json(document["standard_uncertainty"]),
        degrees_of_freedom=number_from_json(document["degrees_of_freedom"]),
        low=number_from_json(document["low"]),
        high=number_from_json(document["high"]),
        margin=number_from_json(document["margin"]),
        margin_percent=number_from_json(document["margin_percent"]),
        rule=document["rule"],
        conformity_probability=number_from_json(document["conformity_probability"]),
        limit_id=document["limit_id"],
        limit_source=document["limit_source"],
        capture=document["capture"],
        captures=tuple(document["captures"]),
        attempt=document["attempt"],
        trials=document["trials"],
        failures=document["failures"],
        expanded_uncertainty=number_from_json(document["expanded_uncertainty"]),
        reasons=tuple(document["reasons"]),
        next_step=document["next_step"],
        pins=tuple(document["pins"]),
        notes=tuple(document["notes"]),
        mandatory=document["mandatory"],
    )


def _component_to_json(component: Component) -> dict[str, Any]:
    return {
        "name": component.name,
        "contribution": number_to_json(component.contribution),
        "degrees_of_freedom": number_to_json(component.degrees_of_freedom),
    }


def _component_from_json(document: Mapping[str, Any]) -> Component:
    return Component(
        name=document["name"],
        contribution=number_from_json(document["contribution"]),
        degrees_of_freedom=number_from_json(document["degrees_of_freedom"]),
    )


def _doubt_to_json(doubt: Doubt) -> dict[str, Any]:
    return {"reason": doubt.reason, "cause": doubt.cause.value, "next_step": doubt.next_step}


def _doubt_from_json(document: Mapping[str, Any]) -> Doubt:
    return Doubt(reason=document["reason"], cause=Cause(document["cause"]), next_step=document["next_step"])


def _series_to_json(series: Series) -> dict[str, Any]:
    return {name: [[number_to_json(value) for value in axis] for axis in axes] for name, axes in series.items()}


def _series_from_json(document: Mapping[str, Any]) -> Series:
    return {
        name: (tuple(number_from_json(value) for value in x), tuple(number_from_json(value) for value in y))
        for name, (x, y) in document.items()
    }
