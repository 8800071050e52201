"""Captures made of arrays, and the shipped sheets, for the tests of the procedures' `evaluate`."""

from dataclasses import replace
from functools import cache
from importlib.resources import files

import numpy as np

from analysis.capture import AnalogChannel, Capture, Event, EventList, Gap
from bench.judging import findings_of
from bench.plan_check import setup_for
from bench.run_sheets import SheetNames, load_sheets
from test_plans.procedure import MissingCaptureError
from test_plans.registry import PROCEDURES


class ArraySource:
    """Samples from arrays."""

    def __init__(self, codes, words):
        self._codes = codes
        self._words = words

    def codes(self, channel):
        return self._codes[channel]

    def words(self):
        return self._words


class Shelf:
    """Evidence from captures in memory."""

    def __init__(self, *captures, earlier=()):
        self.captures = {capture.name: capture for capture in captures}
        self._earlier = {measurement.id: measurement for measurement in earlier}

    def has(self, name):
        return name in self.captures

    def capture(self, name):
        if name not in self.captures:
            raise MissingCaptureError(name)
        return self.captures[name]

    def names(self):
        return tuple(self.captures)

    def earlier(self, measurement_id):
        return self._earlier.get(measurement_id)

    def held_pins(self):
        return {}


class Scene:
    """Builds one capture; signals default to nothing, events are sorted on the way out."""

    def __init__(self, name, duration_s, rate_hz=1000.0, **settings):
        self.name = name
        self.rate_hz = rate_hz
        self.n = round(duration_s * rate_hz)
        self.settings = settings
        self.signals = {}
        self.lines = {}
        self.events = []
        self.gaps = []

    @property
    def times_s(self):
        return np.arange(self.n) / self.rate_hz

    def signal(self, name, values):
        self.signals[name] = np.broadcast_to(np.asarray(values, dtype=float), (self.n,))
        return self

    def line(self, name, values):
        self.lines[name] = np.broadcast_to(np.asarray(values, dtype=bool), (self.n,))
        return self

    def event(self, kind, time_s, bound_s=0.0, **fields):
        self.events.append(Event(time_s=time_s, uncertainty_s=bound_s, kind=kind, fields=fields))
        return self

    def drive(self, line, time_s, value):
        return self.event("stimulus", time_s, line=line, value=value)

    def report(self, item, time_s, bound_s=0.003, **fields):
        return self.event("report", time_s, bound_s, item=item, **fields)

    def gap(self, first_s, n_samples):
        self.gaps.append(Gap(first_sample=round(first_s * self.rate_hz), n_samples=n_samples))
        return self

    def capture(self):
        channels = {name: channel_of(name) for name in self.signals}
        codes = {name: to_codes(values, channels[name]) for name, values in self.signals.items()}
        words = np.zeros(self.n, dtype=np.uint64)
        for bit, values in enumerate(self.lines.values()):
            words |= values.astype(np.uint64) << np.uint64(bit)
        return Capture(
            name=self.name,
            procedure="a-procedure",
            attempt=1,
            sample_rate_hz=self.rate_hz,
            timebase_bound=5e-5,
            start_s=0.0,
            n_samples=self.n,
            channels=channels,
            lines=tuple(self.lines),
            gaps=tuple(self.gaps),
            events=EventList(sorted(self.events, key=lambda event: event.time_s)),
            settings=self.settings,
            source=ArraySource(codes, words),
        )


def to_codes(values, channel):
    """Convert with a little noise, so that no reading is a constant."""
    noise = np.random.Generator(np.random.Philox(key=len(channel.name))).normal(0.0, channel.noise, values.size)
    return np.clip(np.round((values + noise) / channel.scale), -32768, 32767).astype(np.int16)


@cache
def sheets():
    return load_sheets(SheetNames(bench="simulated", plan="acceptance", model="dotterel-6"))


@cache
def channel_of(name):
    wire = sheets().bench.signals[name]
    return AnalogChannel(
        name=name,
        quantity_unit=wire.quantity_unit,
        scale=wire.range_v / 32768 * wire.units_per_v,
        offset=0.0,
        relative_bound=wire.relative_bound,
        absolute_bound=wire.absolute_bound,
        noise=sheets().bench.daq.noise_v[wire.range_v] * wire.units_per_v,
        instrument=f"daq ai{wire.channel:02d}",
        calibration="simulated",
        wiring=wire.plus,
    )


@cache
def shipped_plans():
    """Every shipped plan with the demo unit, by name; acceptance first."""
    names = sorted(path.name.removesuffix(".toml") for path in (files("test_plans") / "plans").iterdir())
    names.sort(key=lambda name: name != "acceptance")
    return {name: load_sheets(SheetNames(bench="simulated", plan=name, model="dotterel-6")) for name in names}


def plan_with(procedure, function=""):
    """Return the name of the first shipped plan that has a procedure, if there is one with it on this function."""
    plans = {
        name: setup_in(loaded, procedure)
        for name, loaded in shipped_plans().items()
        if procedure in {step.procedure for step in loaded.plan.steps}
    }
    touching = [name for name, setup in plans.items() if function in PROCEDURES[procedure].functions(setup)]
    return next(iter([*touching, *plans]))


def setup_in(loaded, procedure):
    """Return what a procedure is given in one plan."""
    step = next(step for step in loaded.plan.steps if step.procedure == procedure)
    return setup_for(step, unit=loaded.unit, aircraft=loaded.aircraft, plan=loaded.plan, bench=loaded.bench)


@cache
def setup_of(procedure):
    return setup_in(shipped_plans()[plan_with(procedure)], procedure)


def setup_given(procedure, **conditions):
    """Return what the shipped plan gives a procedure, with these conditions in place of the plan's."""
    setup = setup_of(procedure)
    return replace(setup, step=replace(setup.step, conditions={**setup.step.conditions, **conditions}))


def results_of(procedure, *captures, earlier=(), given=None):
    """Evaluate a shipped procedure, `given` in place of the plan's conditions; return its results by id."""
    results = PROCEDURES[procedure].evaluate(Shelf(*captures, earlier=earlier), setup_given(procedure, **given or {}))
    return {result.id: result for result in results}


def judged(procedure, *captures, earlier=(), given=None):
    """Evaluate and judge; return findings by id."""
    results = list(results_of(procedure, *captures, earlier=earlier, given=given).values())
    findings = findings_of(results, sheets().unit, procedure=procedure, attempt=1)
    return {finding.id: finding for finding in findings}
