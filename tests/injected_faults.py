"""Faults put into the simulated bench or unit for one run, beside those of the catalogues."""

from contextlib import contextmanager
from dataclasses import replace
from importlib.resources import files

import pytest

import bench.admission
import bench.verify

NS_PER_S = 1_000_000_000


def a_minute_of_soak(folder):
    """Write the shipped soak with a tenth of its time: what it finds it finds then."""
    text = (files("test_plans") / "plans" / "soak.toml").read_text(encoding="utf-8")
    shorter = text.replace('soak-time = "10 min", points = 11', 'soak-time = "1 min", points = 4')
    assert shorter != text
    path = folder / "soak.toml"
    path.write_text(shorter, encoding="utf-8")
    return path


def injected(monkeypatch: pytest.MonkeyPatch, *, bend=None, at=None):
    """Have runs draw a bent bench and unit, and change the running plant.

    `bend` takes (bench, twin) parameters and returns them bent. `at` is (procedure, seconds into it, what to do with
    the plant).
    """
    draw, open_bench = bench.admission.simulated_parameters, bench.verify.open_simulated_bench

    def drawn(*args, **kwargs):
        parameters = draw(*args, **kwargs)
        return bend(*parameters) if bend else parameters

    @contextmanager
    def opened(*args, **kwargs):
        with open_bench(*args, **kwargs) as bench_opened:
            yield bench_opened if at is None else replace(bench_opened, before_procedure=_timed(bench_opened, *at))

    monkeypatch.setattr(bench.admission, "simulated_parameters", drawn)
    monkeypatch.setattr(bench.verify, "open_simulated_bench", opened)


def _timed(opened, procedure, after_s, change):
    plant, before = opened.plant, opened.before_procedure

    def begins(name, attempt):
        before(name, attempt)
        if name == procedure:
            plant.at(plant.now_ns + round(after_s * NS_PER_S) + 1, lambda: change(plant))

    return begins


def relay_dead(output):
    """Bend: a digital output switches nothing."""

    def bend(bench_drawn, twin):
        outputs = dict(bench_drawn.daq.digital_outputs)
        outputs[output] = replace(outputs[output], action="load", target="none", position="none")
        return replace(bench_drawn, daq=replace(bench_drawn.daq, digital_outputs=outputs)), twin

    return bend


def path_welds(plant):
    """Change: the bus switch stays at `run` whatever it is told."""
    plant._relays._positions = lambda: ["run"]


def load_ohm(output, position, ohm):
    """Bend: a load of the bench has another resistance than its sheet says."""

    def bend(bench_drawn, twin):
        loads = {name: dict(positions) for name, positions in bench_drawn.loads_ohm.items()}
        loads[output][position] = ohm
        return replace(bench_drawn, loads_ohm=loads), twin

    return bend


def channel(number, **errors):
    """Bend: an analogue input has these errors."""

    def bend(bench_drawn, twin):
        inputs = dict(bench_drawn.daq.inputs)
        inputs[number] = replace(inputs[number], **errors)
        return replace(bench_drawn, daq=replace(bench_drawn.daq, inputs=inputs)), twin

    return bend


def clock_off(error):
    """Bend: the sample clock is off by a fraction."""
    return lambda bench_drawn, twin: (replace(bench_drawn, daq=replace(bench_drawn.daq, clock_error=error)), twin)


def path_ohm(position, ohm):
    """Bend: a position of the bus switch has another resistance."""

    def bend(bench_drawn, twin):
        path = replace(bench_drawn.path, series_ohm={**bench_drawn.path.series_ohm, position: ohm})
        return replace(bench_drawn, path=path), twin

    return bend


def unit_quantity(name, value):
    """Bend: a quantity of the unit has this value."""
    return lambda bench_drawn, twin: (bench_drawn, replace(twin, quantities={**twin.quantities, name: value}))


def both(first, second):
    """Bend twice."""
    return lambda bench_drawn, twin: second(*first(bench_drawn, twin))


def welds(pin):
    """Change: the relay on a pin closes and stays so."""

    def change(plant):
        press = plant._pins.press
        press(pin, True)
        plant._pins.press = plant._relays.on_press = lambda other, on: None if other == pin else press(other, on)

    return change


def sends_nothing(plant):
    """Change: the bench's frames never get on the bus."""
    plant.send_frame = lambda *_frame: None


def leaks(axis, amps):
    """Change: a motor output carries a current with nothing pressed."""

    def change(plant):
        plant.twin.outputs.bridges[axis]._leakage_a = amps
        plant.twin._show_bridge(axis)

    return change


def noisier(times):
    """Bend: every analogue input has so many times its noise."""

    def bend(bench_drawn, twin):
        noise_v = {range_v: times * rms_v for range_v, rms_v in bench_drawn.daq.noise_v.items()}
        return replace(bench_drawn, daq=replace(bench_drawn.daq, noise_v=noise_v)), twin

    return bend


def line_ohm(output, ohm):
    """Bend: an analogue output stands behind another resistance."""

    def bend(bench_drawn, twin):
        outputs = dict(bench_drawn.daq.outputs)
        outputs[output] = replace(outputs[output], series_ohm=ohm)
        return replace(bench_drawn, daq=replace(bench_drawn.daq, outputs=outputs)), twin

    return bend


def line_goes(output, ohm):
    """Change: an analogue output gets another resistance ahead of its pin."""

    def change(plant):
        pin, line = plant._pins._lines[output]
        line.parameters = replace(line.parameters, series_ohm=ohm)
        plant._pins._put(pin)

    return change


def input_goes(number, **errors):
    """Change: an analogue input has these errors from now on."""

    def change(plant):
        inputs = plant.bench.daq.inputs
        inputs[number] = replace(inputs[number], **errors)

    return change


def held_on(output, volts):
    """Bend: an output of the unit is on whenever it runs, though nothing commands it."""

    def bend(bench_drawn, twin):
        outputs = tuple(replace(one, stuck_on_v=volts) if one.name == output else one for one in twin.outputs)
        return bench_drawn, replace(twin, outputs=outputs)

    return bend


def comes_on(output, volts):
    """Change: an output of the unit comes on by itself and stays so."""

    def change(plant):
        (plain,) = [one for one in plant.twin.outputs.plain if one.parameters.name == output]
        plain.parameters = replace(plain.parameters, stuck_on_v=volts)
        plain.show(plant.now_ns, running=True)

    return change
