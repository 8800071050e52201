"""What was written by an older version reads with defaults, and what is not of its type is refused."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import pytest

from bench.records.dataclass_json import from_json, to_json


class Colour(StrEnum):
    RED = "red"


@dataclass(frozen=True, kw_only=True)
class Part:
    length_m: float


@dataclass(frozen=True, kw_only=True)
class Whole:
    name: str
    colour: Colour | None = None
    parts: tuple[Part, ...] = ()
    pair: tuple[int, float] = (0, 0.0)
    lengths_m: Mapping[str, float] = field(default_factory=dict)
    heat_c: float | None = None


def test_every_kind_of_field_goes_there_and_back():
    whole = Whole(
        name="a",
        colour=Colour.RED,
        parts=(Part(length_m=math.inf),),
        pair=(1, -math.inf),
        lengths_m={"b": 0.1},
        heat_c=21.5,
    )
    document = to_json(whole)
    assert document == {
        "name": "a",
        "colour": "red",
        "parts": [{"length_m": "inf"}],
        "pair": [1, "-inf"],
        "lengths_m": {"b": 0.1},
        "heat_c": 21.5,
    }
    assert type(document["colour"]) is str
    assert from_json(Whole, document) == whole


def test_a_key_that_an_older_version_did_not_write_takes_its_default_and_an_unknown_one_is_passed_over():
    assert from_json(Whole, {"name": "a", "of_a_later_version": 1}) == Whole(name="a")


def test_a_key_that_has_no_default_must_be_there():
    with pytest.raises(KeyError, match="name"):
        from_json(Whole, {"colour": "red"})


def test_a_word_that_is_none_of_its_enumeration_is_refused():
    with pytest.raises(ValueError, match="green"):
        from_json(Whole, {"name": "a", "colour": "green"})


@pytest.mark.parametrize(
    "altered", [{"name": 5}, {"name": None}, {"parts": 1}, {"pair": [True, 0.0]}, {"heat_c": "warm"}, {"pair": [1]}]
)
def test_a_value_that_is_not_of_its_fields_type_is_refused(altered):
    with pytest.raises((TypeError, ValueError)):
        from_json(Whole, {"name": "a"} | altered)
