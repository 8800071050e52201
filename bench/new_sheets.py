"""Sheets to begin with: a commented unit sheet, an aircraft sheet and a bench sheet that fit it, as TOML text.

Each passes its own check as written. A profile of the bus has no figures, which nobody must take for those of the
document that a shop types it from: its check names each one to fill in. Nothing is ever overwritten.
"""

import re
import tomllib
from collections.abc import Collection, Iterator
from importlib.resources import files
from itertools import count
from pathlib import Path

from bench.errors import UsageError
from bench.sheets import load_unit
from bench.sheets.bench_file import CLAMP_OPEN, MOTOR_DEFECTS, SOURCE_DEFECTS, SWITCH_DEFECTS
from bench.sheets.fields import is_name
from bench.sheets.signals import PLUG, RECEIVE_LINE, ExpectedSignal, expected_signals
from test_plans.dimming_positions import LIMIT as SHORT_CURRENT
from test_plans.reported_settings import settings_of
from test_plans.sheets import UnitSheet
from test_plans.signals import AIRSPEED, airspeed_lines, stimuli_of, switches_of

_BLANK = ("unit", "profile")  # that stand whole in a file
_PLACEHOLDER = "@NAME@"
_ADAPTER = "[adapters."
_AFTER_ADAPTERS = "# What the simulated bench is drawn from"
_PLUG_OHM = 1.4
_LIGHT_OHM = 1000.0
_LOAD_RESERVE = 1.3
_SHORT_OHM, _SHORT_A = 0.5, 6.0
_FEED_OHM, _FEED_A = 10e3, 2e-3
_E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
_STANDARD_VALUES = tuple(round(value * 10.0**decade, 6) for decade in range(-2, 5) for value in _E12)


def new_sheet(kind: str, name: str, *, model: str | None, folder: Path) -> Path:
    """Write a sheet of `kind` into a folder and return its path.

    Args:
        kind: `unit`, `aircraft`, `bench` or `profile`.
        name: what the sheet is called; also the file's name.
        model: unit sheet that an aircraft or bench sheet is made for, a shipped name or a file.
        folder: where it goes.

    Raises:
        UsageError: an unfit name, no model where one is needed, or the file is there already or can't be written.
        SheetError: the unit sheet is faulty.
    """
    if not is_name(name):
        raise UsageError(f"{name!r} is no name for a sheet: give a-z, 0-9 and hyphens, 40 at most, such as gannet-3.")
    if kind in _BLANK:
        text = (files("bench") / "blank" / f"{kind}.toml").read_text(encoding="utf-8").replace(_PLACEHOLDER, name)
    elif model is None:
        raise UsageError(f"new {kind}: for which model? Give --model NAME or FILE.")
    else:
        unit = load_unit(model)
        text = aircraft_text(name, unit) if kind == "aircraft" else bench_text(name, unit)
    path = folder / f"{name}.toml"
    try:
        with path.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError as error:
        raise UsageError(f"{path} is there already and stays as it is. Choose another name or folder.") from error
    except OSError as error:
        raise UsageError(f"{path} can't be written: {error.strerror or error}. Choose another folder.") from error
    return path


def aircraft_text(name: str, unit: UnitSheet) -> str:
    """Return an aircraft sheet with all axes of a model and every dimming output on its first rheostat."""
    axes = ", ".join(f'"{axis.name}"' for axis in unit.trims)
    lines = [
        f"# Aircraft sheet of the {name}, for model {unit.model}: what this aircraft needs of the unit.",
        "",
        f'name = "{name}"',
        f'title = "{name}, FILL IN"',
        f'model = "{unit.model}"',
        f"axes = [{axes}] # trim axes that this aircraft has",
        "configuration = 0 # what a unit set up for this aircraft reports; FILL IN",
    ]
    if settings := settings_of(unit):
        lines += ["", "# What the unit must report of each setting it has; FILL IN.", "[settings]"]
        lines += [f"{name} = 0" for name in settings]
    if unit.dimming:
        lines += ["", "# Which rheostat sets which dimming output.", "[dimming-map]"]
        rheostat = unit.rheostats[0].name if unit.rheostats else "FILL IN"
        lines += [f'{output.name} = "{rheostat}"' for output in unit.dimming]
    return "\n".join(lines) + "\n"


def bench_text(name: str, unit: UnitSheet) -> str:
    """Return the shipped simulated bench with one adapter, for this model, channels in the order of its sheet."""
    shipped = (files("bench") / "benches" / "simulated.toml").read_text(encoding="utf-8")
    head, _, rest = shipped.partition(_ADAPTER)
    bench = tomllib.loads(head)
    taken = {
        bench["arm-output"],
        bench["electronic-load"]["reverse-output"],
        *(path["digital-output"] for path in bench["paths"].values()),
    }
    head = re.sub(r"^name = .*$", f'name = "{name}"', head, count=1, flags=re.MULTILINE)
    head = re.sub(r"^title = .*$", f'title = "{name}, simulated"', head, count=1, flags=re.MULTILINE)
    head = re.sub(r"^default-model = .*\n", "", head, count=1, flags=re.MULTILINE)
    tail = _without_targets(
        rest[rest.index(_AFTER_ADAPTERS) :],
        {*stimuli_of(unit), *expected_signals(unit), *(axis.name for axis in unit.trims), *airspeed_lines(unit)},
    )
    return head + "\n".join(adapter_lines(unit, taken)) + "\n\n" + tail


def adapter_lines(unit: UnitSheet, taken: Collection[int]) -> Iterator[str]:
    """Yield the adapter of a model in TOML: every signal, stimulus, switch and load on the next free channel.

    `taken` are digital outputs that work the bench itself.
    """
    outputs = (number for number in count() if number not in taken)
    here = f"adapters.{unit.model}"
    yield f"[{here}]"
    yield f'positive-pin = "{unit.power_pin}"'
    yield f'negative-pin = "{unit.power_ground_pin}"'
    signals = expected_signals(unit)
    used = {unit.power_pin, unit.power_ground_pin}
    used |= {node for signal in signals.values() for node in (signal.plus, signal.minus)}
    pins = _pins(unit)
    airspeed = unit.airspeed if unit.airspeed is not None and unit.airspeed.pin else None
    used |= {*pins.values(), *((airspeed.pin,) if airspeed is not None else ())}
    free = [pin for pin in unit.pins if pin not in used]
    if unit.bus.reports:
        high, low = ([*free, "FILL-IN", "FILL-IN"])[:2]
        free = free[2:]
        yield f'bus = {{ high-pin = "{high}", low-pin = "{low}", receive-input = 0 }} # {RECEIVE_LINE}; check the pins'
    switches = switches_of(unit)
    if airspeed is not None and airspeed.text is not None:
        monitor = len(switches) + 1
        yield f'text = {{ pin = "{airspeed.pin}", monitor-input = {monitor} }} # airspeed, read back at the pin'
    if free:
        yield f"\n[{here}.unused]"
        yield from (f'{pin} = "nothing on this bench leads here; FILL IN"' for pin in free)
    yield f"\n[{here}.signals]"
    for number, (name, signal) in enumerate(signals.items()):
        minus = f', minus = "{signal.minus}"' if signal.minus else ""
        where = f'input = {number}, range = "{_range(unit, name, signal)}", probe = "{_probe(unit, name, signal)}"'
        yield f'"{name}" = {{ {where}, plus = "{signal.plus}"{minus} }}'
    yield f"\n[{here}.stimuli]"
    for number, name in enumerate(stimuli_of(unit)):
        yield f'{name} = {{ output = {number}, pin = "{pins[name]}" }}'
    if airspeed is not None and airspeed.analogue is not None:
        yield f'{AIRSPEED} = {{ output = {len(stimuli_of(unit))}, pin = "{airspeed.pin}" }}'
    yield f"\n# Each closes its pin to ground, and a digital input reads the pin back.\n[{here}.switches]"
    if airspeed is not None and airspeed.switch is not None:
        switches, pins = (*switches, AIRSPEED), {**pins, AIRSPEED: airspeed.pin}
    for line, name in enumerate(switches, start=1):
        yield f'{name} = {{ digital-output = {next(outputs)}, digital-input = {line}, pin = "{pins[name]}" }}'
    yield from _load_lines(unit, here, outputs)
    yield f"\n# Each relay connects the electronic load to one output.\n[{here}.electronic-load]"
    reached = {PLUG: (unit.power_pin, unit.power_ground_pin)}
    reached |= {axis.name: (axis.plus_pin, axis.minus_pin) for axis in unit.trims}
    for name, (plus, minus) in reached.items():
        yield f'{name} = {{ digital-output = {next(outputs)}, plus = "{plus}", minus = "{minus}" }}'


def _load_lines(unit: UnitSheet, here: str, outputs: Iterator[int]) -> Iterator[str]:
    """Yield the loads: 1.4 ohm at the plug; for each motor its rated load and 1 kohm; for each dimming output three.

    A dimming output gets the heaviest load below its current limit, a short, and a feed from the bench's reference.
    """
    yield f"\n[{here}.loads.{PLUG}] # at the unit plug, in the unit's stead"
    yield _load(_PLUG_OHM, next(outputs), 12.0)
    for axis in unit.trims:
        ohm = _nearest(unit.nominal_voltage_v / axis.rated_current_a)
        yield f"\n[{here}.loads.{axis.name}] # {axis.rated_current_a:g} A at {unit.nominal_voltage_v:g} V"
        for resistance in (ohm, _LIGHT_OHM):
            yield _load(resistance, next(outputs), _LOAD_RESERVE * unit.highest_voltage_v / resistance)
    if (limit := unit.limits.get(SHORT_CURRENT)) is not None:
        ohm = _next_above(unit.nominal_voltage_v / limit.low)
        for output in unit.dimming:
            yield f"\n[{here}.loads.{output.name}]"
            yield _load(ohm, next(outputs), max(limit.high, _LOAD_RESERVE * unit.highest_voltage_v / ohm))
            yield _load(_SHORT_OHM, next(outputs), _SHORT_A)
            yield _load(_FEED_OHM, next(outputs), _FEED_A, to=', to = "reference"')


def _load(ohm: float, output: int, rated_a: float, *, to: str = "") -> str:
    name = f"{ohm / 1000.0:g} kohm" if ohm >= 1000.0 else f"{ohm:g} ohm"
    rest = f'resistance = "{name}", tolerance = "0.1 %", max-current = "{rated_a:.3g} A"{to}'
    return f'"{name}" = {{ digital-output = {output}, {rest} }}'


def _nearest(ohm: float) -> float:
    """Return the standard resistance that is nearest, by ratio."""
    return min(_STANDARD_VALUES, key=lambda value: max(value / ohm, ohm / value))


def _next_above(ohm: float) -> float:
    """Return the standard resistance that is next above."""
    return min(value for value in _STANDARD_VALUES if value >= ohm)


def _pins(unit: UnitSheet) -> dict[str, str]:
    pins = {discrete.name: discrete.pin for discrete in unit.discretes}
    pins |= {rheostat.name: rheostat.pin for rheostat in unit.rheostats}
    pins |= {command.name: command.pin for command in unit.inputs}
    return pins | {switch.name: switch.pin for axis in unit.trims for switch in axis.switches}


def _range(unit: UnitSheet, name: str, signal: ExpectedSignal) -> str:
    inputs = {f"{stimulus}.voltage" for stimulus in (*stimuli_of(unit), AIRSPEED)}
    inputs |= {"ground.voltage", "reference.voltage"}
    return "10 V" if signal.kind == "current" or name in inputs else "40 V"


def _probe(unit: UnitSheet, name: str, signal: ExpectedSignal) -> str:
    if signal.kind != "current":
        return "volts"
    if name in {f"{output.name}.current" for output in unit.outputs if output.held_up}:
        return "hold-up-current"
    return {"unit.current": "input-current", "unit.current.high": "high-current", "return.current": "high-current"}.get(
        name, "trim-current"
    )


def _without_targets(tail: str, wired: set[str]) -> str:
    """Take out the catalogued defects of lines and channels that this adapter does not have."""
    first, *defects = tail.split("[[simulation.defects]]")
    return "[[simulation.defects]]".join((first, *(text for text in defects if _can_be_spoilt(text, wired))))


def _can_be_spoilt(defect: str, wired: set[str]) -> bool:
    """Say whether an adapter written here has what a defect spoils; it never has a motor, nor what one gives back."""
    kind, target = (re.search(rf'^{key} = "(.*)"$', defect, re.MULTILINE) for key in ("kind", "target"))
    named = "" if kind is None else kind.group(1)
    if target is None or named in {*SOURCE_DEFECTS, *SWITCH_DEFECTS}:
        return named != CLAMP_OPEN
    return target.group(1) in wired and named not in MOTOR_DEFECTS
