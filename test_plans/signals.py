"""What the unit sheet's names mean as signals, lines and outputs of the rig. Pure look-up, no bench, no capture."""

from test_plans.sheets import AirspeedRoute, Setup, TrimAxis, UnitSheet

MOTOR = "motor"  # the load position at which a trim output's motor stands
AIRSPEED = "airspeed"  # stimulus or switch line, where airspeed is a voltage or a contact
AIRSPEED_TEXT = "airspeed.text"  # line on which text is read back at its pin
AIRSPEED_LINES = (AIRSPEED, AIRSPEED_TEXT)


def voltage_signal(name: str) -> str:
    """Return the voltage signal of a pin or output by its name."""
    return f"{name}.voltage"


def current_signal(name: str) -> str:
    """Return the name of the current of a motor output or a hold-up output."""
    return f"{name}.current"


def all_signals(unit: UnitSheet) -> tuple[str, ...]:
    """Return every analogue signal that a bench needs for this model."""
    return (
        "supply.voltage",
        "unit.voltage",
        "unit.current",
        "unit.current.high",
        "return.current",
        "ground.voltage",
        "reference.voltage",
        *(voltage_signal(discrete.name) for discrete in unit.discretes),
        *(voltage_signal(rheostat.name) for rheostat in unit.rheostats),
        *(voltage_signal(output.name) for output in unit.dimming),
        *(voltage_signal(axis.name) for axis in unit.trims),
        *(f"{axis.name}.current" for axis in unit.trims),
        *(voltage_signal(output.name) for output in unit.outputs),
    )


def leg_signals(axis: TrimAxis) -> tuple[str, str]:
    """Return the voltages of a motor output's plus and minus pin, each against power ground."""
    return f"{axis.name}.plus.voltage", f"{axis.name}.minus.voltage"


def wired_signals(setup: Setup) -> tuple[str, ...]:
    """Return `all_signals`, and of those that not every bench has, what this one has."""
    legs = (signal for axis in setup.unit.trims for signal in leg_signals(axis))
    return (*all_signals(setup.unit), *(signal for signal in legs if signal in setup.bench.channels))


def stimuli_of(unit: UnitSheet) -> tuple[str, ...]:
    """Return every analogue stimulus line."""
    return (*(discrete.name for discrete in unit.discretes), *(rheostat.name for rheostat in unit.rheostats))


def switches_of(unit: UnitSheet) -> tuple[str, ...]:
    """Return every switch line: trim switches and other command inputs."""
    return (
        *(switch.name for axis in unit.trims for switch in axis.switches),
        *(command.name for command in unit.inputs),
    )


def airspeed_lines(unit: UnitSheet) -> tuple[str, ...]:
    """Return the digital line that shows airspeed at its pin, where it is text or a contact."""
    route = None if unit.airspeed is None else unit.airspeed.route
    if route is AirspeedRoute.TEXT:
        return (AIRSPEED_TEXT,)
    return (AIRSPEED,) if route is AirspeedRoute.SWITCH else ()


def airspeed_signals(unit: UnitSheet) -> tuple[str, ...]:
    """Return the signal that shows airspeed at its pin, where it is a voltage."""
    by_voltage = unit.airspeed is not None and unit.airspeed.route is AirspeedRoute.ANALOGUE
    return (voltage_signal(AIRSPEED),) if by_voltage else ()


def idle_outputs(unit: UnitSheet) -> tuple[str, ...]:
    """Return every output that must stay at 0 V unless commanded: trims, lights and flaps, dimming."""
    return (
        *(axis.name for axis in unit.trims),
        *(output.name for output in unit.outputs if not output.held_up),
        *(output.name for output in unit.dimming),
    )


def idle_signals(unit: UnitSheet) -> tuple[str, ...]:
    """Return the voltage signals of `idle_outputs`."""
    return tuple(voltage_signal(name) for name in idle_outputs(unit))


def output_facts(unit: UnitSheet, name: str) -> tuple[str, str, tuple[str, ...]]:
    """Return function, title and pins of an output by name.

    Raises:
        LookupError: the model has no such output.
    """
    for axis in unit.trims:
        if axis.name == name:
            return axis.function, axis.title, (axis.plus_pin, axis.minus_pin)
    for output in unit.outputs:
        if output.name == name:
            return output.function, output.title, tuple(pin for pin in (output.plus_pin, output.minus_pin) if pin)
    for dimmer in unit.dimming:
        if dimmer.name == name:
            return function_named(unit, "dimming"), dimmer.title, (dimmer.pin,)
    raise LookupError(f"model {unit.model} has no output {name}")


def function_named(unit: UnitSheet, name: str) -> str:
    """Return the function `name` where the model has one of that name, else its first: the whole unit's."""
    names = [function.name for function in unit.functions]
    return name if name in names else names[0]
