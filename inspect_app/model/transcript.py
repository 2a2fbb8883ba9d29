"""A `Measured` as plain JSON values and back: the measure command's output, and what the record keeps."""

from collections.abc import Mapping
from typing import Any

from inspect_app.model.measured import Condition, Feature, FileReference, Measured, Outline, Result, Trace
from inspect_app.quantity import Contribution, Quantity


def to_json_values(measured: Measured) -> dict[str, Any]:
    """Return the measurement as values that `json.dumps` takes, in the order of the measure contract."""
    return {
        "check": measured.check,
        "method": measured.method,
        "files": [{"name": file.name, "sha256": file.sha256} for file in measured.files],
        "results": [_result_values(result) for result in measured.results],
        "traces": [_trace_values(trace) for trace in measured.traces],
        "features": [_feature_values(feature) for feature in measured.features],
        "outlines": [_outline_values(outline) for outline in measured.outlines],
        "warnings": list(measured.warnings),
    }


def from_json_values(values: Mapping[str, Any]) -> Measured:
    """Return the measurement that `to_json_values` wrote.

    Raises
    ------
    KeyError, TypeError, ValueError
        The values were not written by `to_json_values`.
    """
    return Measured(
        check=values["check"],
        method=values["method"],
        files=tuple(FileReference(**file) for file in values["files"]),
        results=tuple(_read_result(result) for result in values["results"]),
        traces=tuple(_read_trace(trace) for trace in values["traces"]),
        features=tuple(Feature(**feature) for feature in values["features"]),
        outlines=tuple(Outline(**outline) for outline in values["outlines"]),
        warnings=tuple(values["warnings"]),
    )


def _condition_values(condition: Condition) -> dict[str, Any]:
    return {name: list(value) if isinstance(value, tuple) else value for name, value in condition.items()}


def _read_condition(values: Mapping[str, Any]) -> Condition:
    return {name: tuple(value) if isinstance(value, list) else value for name, value in values.items()}


def _result_values(result: Result) -> dict[str, Any]:
    quantity = result.quantity
    return {
        "quantity": result.quantity_name,
        "condition": _condition_values(result.condition),
        "value": quantity.value,
        "unit": quantity.unit,
        "standard_uncertainty": quantity.standard_uncertainty,
        "degrees_of_freedom": quantity.degrees_of_freedom,
        "budget": [
            {
                "source": line.source,
                "distribution": line.distribution,
                "standard_uncertainty": line.standard_uncertainty,
                "degrees_of_freedom": line.degrees_of_freedom,
                "sensitivity": line.sensitivity,
            }
            for line in result.budget
        ],
    }


def _read_result(values: Mapping[str, Any]) -> Result:
    return Result(
        quantity_name=values["quantity"],
        condition=_read_condition(values["condition"]),
        quantity=Quantity(
            value=values["value"],
            unit=values["unit"],
            standard_uncertainty=values["standard_uncertainty"],
            degrees_of_freedom=values["degrees_of_freedom"],
        ),
        budget=tuple(Contribution(**line) for line in values["budget"]),
    )


def _trace_values(trace: Trace) -> dict[str, Any]:
    return {
        "name": trace.name,
        "condition": _condition_values(trace.condition),
        "x": list(trace.x),
        "x_unit": trace.x_unit,
        "y": list(trace.y),
        "y_unit": trace.y_unit,
    }


def _read_trace(values: Mapping[str, Any]) -> Trace:
    return Trace(
        name=values["name"],
        condition=_read_condition(values["condition"]),
        x=tuple(values["x"]),
        x_unit=values["x_unit"],
        y=tuple(values["y"]),
        y_unit=values["y_unit"],
    )


def _feature_values(feature: Feature) -> dict[str, Any]:
    return {name: getattr(feature, name) for name in Feature.__slots__}


def _outline_values(outline: Outline) -> dict[str, Any]:
    return {name: getattr(outline, name) for name in Outline.__slots__}
