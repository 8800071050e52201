"""Dataclasses to JSON and back by their own fields and types, so that what a record holds is said once: in the class.

Floats go through `json_values`: nothing is rounded, and judging what was read back gives the same finding to the last
digit. A key that is missing in a document takes its field's default, so that fields can be added without making
older records unreadable; a key that is unknown is passed over.
"""

import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import MISSING, Field, fields, is_dataclass
from enum import Enum
from functools import cache, partial
from typing import Any, TypeVar

from bench.records.json_values import number_from_json, number_to_json

Kind = TypeVar("Kind")
Converter = Callable[[Any], Any]


def to_json(value: object) -> dict[str, Any]:
    """Return a dataclass as a document: plain values by field name, enumerations as their values."""
    kind: Any = type(value)
    document: dict[str, Any] = _encoder(kind)(value)
    return document


def from_json(kind: type[Kind], document: Mapping[str, Any]) -> Kind:
    """Return the dataclass that `to_json` wrote.

    Raises:
        KeyError: a field without a default is missing.
        ValueError, TypeError: a value is not of its field's type.
    """
    hint: Any = kind
    read: Kind = _decoder(hint)(document)
    return read


@cache
def _encoder(hint: Any) -> Converter:
    if _is_record(hint):
        encoders = [(field.name, _encoder(inner)) for field, inner in _fields(hint)]
        return lambda value: {name: encode(getattr(value, name)) for name, encode in encoders}
    return _through(hint, _encoder, leaf=_encoded_leaf(hint), sequence=list)


@cache
def _decoder(hint: Any) -> Converter:
    if _is_record(hint):
        decoders = [(field.name, _decoder(inner), _required(field)) for field, inner in _fields(hint)]
        return lambda document: hint(
            **{name: decode(document[name]) for name, decode, required in decoders if required or name in document}
        )
    return _through(hint, _decoder, leaf=_decoded_leaf(hint), sequence=tuple)


def _through(hint: Any, convert: Callable[[Any], Converter], *, leaf: Converter, sequence: type) -> Converter:
    """Return the converter of a hint that is no dataclass: optional values, tuples and mappings by what they hold."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin is types.UnionType:
        (present,) = (kind for kind in inner if kind is not types.NoneType)
        some = convert(present)
        return lambda value: None if value is None else some(value)
    if origin is tuple and inner[-1] is Ellipsis:
        every = convert(inner[0])
        return lambda values: sequence(every(value) for value in values)
    if origin is tuple:
        each = [convert(kind) for kind in inner]
        return lambda values: sequence(one(value) for one, value in zip(each, values, strict=True))
    if origin is Mapping or (isinstance(origin, type) and issubclass(origin, Mapping)):
        held = convert(inner[1])
        return lambda values: {name: held(value) for name, value in values.items()}
    return leaf


def _encoded_leaf(hint: Any) -> Converter:
    if hint is float:
        return number_to_json
    return (lambda value: value.value) if _is_enumeration(hint) else _as_it_is


def _decoded_leaf(hint: Any) -> Converter:
    if hint is float:
        return number_from_json
    return hint if _is_enumeration(hint) else partial(_of_kind, hint)


def _of_kind(kind: type, value: Any) -> Any:
    """Return a text, whole number or truth value; a file that was altered may hold anything."""
    if type(value) is not kind:
        raise TypeError(f"{value!r} stands where {kind.__name__} belongs")
    return value


def _as_it_is(value: Any) -> Any:
    return value


def _is_enumeration(hint: Any) -> bool:
    return isinstance(hint, type) and issubclass(hint, Enum)


def _is_record(hint: Any) -> bool:
    return isinstance(hint, type) and is_dataclass(hint)


def _fields(kind: type) -> list[tuple[Field[Any], Any]]:
    hints = typing.get_type_hints(kind)
    return [(field, hints[field.name]) for field in fields(kind)]


def _required(field: Field[Any]) -> bool:
    return field.default is MISSING and field.default_factory is MISSING
