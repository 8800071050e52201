"""Voltage lost in leads, in the plant and in our arithmetic, against the wire tables of an advisory circular.

AC 43.13-1B, table 11-9: greatest resistance of tin-plated copper wire at 20 degC in ohm/1000 ft; tables 11-7 and
11-8: worked examples of length, current and drop.
"""

from dataclasses import replace

import numpy as np
import pytest
from plant_world import (
    PATH_RUN,
    PLUG_LOAD,
    SUPPLY_VOLTAGE,
    UNIT_CURRENT,
    UNIT_VOLTAGE,
    dotterel_bench,
    dotterel_twin,
)
from synthetic_captures import setup_of

from analysis.power import lead_resistance, leads_agree
from analysis.uncertainty import bounded, exact
from instruments.simulated.plant import Plant
from test_plans.bench_agreement import expected_leads

OHM_PER_1000_FT = {10: 1.26, 12: 2.02, 14: 3.06}  # AC 43.13-1B, table 11-9
WORKED = (
    # AWG, feet, A, printed V (AC 43.13-1B, tables 11-7 and 11-8)
    (10, 39.0, 20.0, 0.98),
    (14, 100.0, 20.0, 6.12),
    (10, 156.0, 20.0, 3.93),
    (10, 273.0, 20.0, 6.88),
)


@pytest.mark.parametrize(("gauge", "length_ft", "current_a", "printed_v"), WORKED)
def test_a_lead_of_aircraft_wire_drops_what_the_circular_prints(gauge, length_ft, current_a, printed_v):
    lead_ohm = OHM_PER_1000_FT[gauge] * length_ft / 1000.0
    bench = dotterel_bench(sense_open=True)
    load_ohm = 28.0 / current_a - lead_ohm - bench.supply.source_resistance_ohm
    path = replace(bench.path, positive_ohm=lead_ohm, negative_ohm=0.0)
    plant = Plant(replace(bench, path=path, loads_ohm={"plug": {"1.4 ohm": load_ohm}}), dotterel_twin(), seed=1)
    plant.set_watchdog(True)
    plant.set_digital_output(PATH_RUN, True)
    plant.set_digital_output(PLUG_LOAD, True)
    plant.supply.set_current_limit(30.0)
    plant.supply.set_voltage(28.0)
    plant.supply.set_output(True)
    plant.advance_to(1_000_000_000)
    now = np.array([plant.now_ns])
    supply_v, unit_v, flowing_a = (
        float(values[0]) for values in plant.sample([SUPPLY_VOLTAGE, UNIT_VOLTAGE, UNIT_CURRENT], now)
    )
    assert flowing_a == pytest.approx(current_a, rel=1e-3)
    assert supply_v - unit_v == pytest.approx(printed_v, abs=0.005)
    measured = lead_resistance(
        bounded(supply_v, 0.01, "supply"), bounded(unit_v, 0.01, "unit"), bounded(flowing_a, 0.05, "shunt")
    )
    assert measured.value == pytest.approx(lead_ohm, rel=1e-6)


@pytest.mark.parametrize(
    ("temperature_c", "ratio"), [(40.0, 1.0786), (60.0, 1.1572), (70.0, 1.1965), (85.0, 1.2554), (105.0, 1.3340)]
)
def test_leads_as_warm_as_their_wire_may_get_are_still_the_sheets_and_twice_as_much_is_not(temperature_c, ratio):
    # AC 43.13-1B, chapter 11: at T2 copper may be only L2 = L1 254.5 / (234.5 + T2) long, for its resistance has grown
    warm = (234.5 + temperature_c) / 254.5
    assert warm == pytest.approx(ratio, abs=5e-5)
    facts, flowing = setup_of("bench-leads").bench, 10.0
    cold_ohm = facts.lead_positive_ohm + facts.lead_negative_ohm

    def agrees(times):
        supply_v = bounded(14.0 + flowing * cold_ohm * times, 0.017, "supply")
        return leads_agree(supply_v, bounded(14.0, 0.017, "pins"), exact(flowing), expected_leads(facts)).agrees

    assert agrees(warm) is True
    assert agrees(2.0) is False
