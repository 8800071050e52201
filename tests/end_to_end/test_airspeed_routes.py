"""Trim speed by airspeed over every route: good units pass, wrong ones fail, and a dead line is nobody's unit's."""

import pytest
from airspeed_sheets import by_contact, by_text, by_voltage
from command_line import boxproof


def run(folder, words, *more):
    outcome = boxproof("verify", "SIM-S2-001", *words, "--records", folder, "--json", *more)
    return outcome.document()


def not_passed(document):
    return {f["id"]: (f["verdict"], f["cause"]) for f in document["findings"] if f["verdict"] != "pass"}


def test_airspeed_by_voltage_is_held_against_what_stood_at_the_pin(tmp_path):
    document = run(tmp_path, by_voltage(tmp_path), "--only", "trim-speed", "--only", "trim-airspeed-lost")
    assert not_passed(document) == {}
    found = {finding["id"]: finding for finding in document["findings"]}
    assert {"pitch.airspeed-lost-time", "pitch.airspeed-zero", "bench-check.airspeed-line"} <= set(found)
    # 100 kohm behind 1 kohm take 1 % of the volts: 1.4 kt at 90 kt, 1 % of duty, were it not for the pin's reading
    assert abs(found["pitch.plus.speed-rising"]["value"]) < 0.8


def test_a_dead_voltage_line_is_the_benchs(tmp_path):
    document = run(tmp_path, by_voltage(tmp_path), "--only", "trim-speed", "--defect", "airspeed-dead")
    assert (document["verdict"], document["cause"]) == ("inconclusive", "bench")
    assert not_passed(document)["bench-check.airspeed-line"] == ("inconclusive", "bench")


def test_a_wrong_scale_of_the_voltage_is_the_units(tmp_path):
    document = run(tmp_path, by_voltage(tmp_path), "--only", "trim-speed", "--defect", "airspeed-in-kmh")
    assert (document["verdict"], document["cause"]) == ("fail", "unit")
    assert not_passed(document)["pitch.plus.speed-falling"] == ("fail", "unit")


@pytest.mark.parametrize("closed_when", ["fast", "slow"])
def test_airspeed_by_contact_has_two_speeds_and_the_hysteresis_of_its_switch(closed_when, tmp_path):
    words = by_contact(tmp_path, ('closed-when = "fast"', f'closed-when = "{closed_when}"'))
    document = run(tmp_path, words, "--only", "trim-speed")
    assert not_passed(document) == {}
    assert "pitch.plus.speed-rising-monotonic" in {finding["id"] for finding in document["findings"]}
    assert "pitch.plus.speed-gap" not in {finding["id"] for finding in document["findings"]}


def test_a_model_that_gives_up_a_frozen_airspeed_and_converts_units_passes_as_its_sheet_says(tmp_path):
    edits = (('lost = "3 s"', 'lost = "3 s"\nfrozen-after = "5 s"'), ('"refused"', '"converted"'))
    names = ("trim-airspeed-lost", "trim-cut-off")  # held at full duty for longer than an airspeed may stay the same
    document = run(tmp_path, by_text(tmp_path, *edits), *(word for name in names for word in ("--only", name)))
    assert not_passed(document) == {}
    found = {finding["id"]: finding for finding in document["findings"]}
    assert "counts as lost" in found["pitch.airspeed-frozen"]["title"]
    assert "to be converted" in found["pitch.airspeed-other-unit"]["title"]
