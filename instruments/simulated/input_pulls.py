"""What the unit has at each of its input pins."""

from itertools import pairwise

from instruments.simulated.parameters import TwinParameters
from instruments.simulated.stimulus_pins import Pull
from instruments.simulated.twin_defaults import twin_quantities

LINE_PULL_OHM = 4700.0  # of switch and other command lines
LINE_PULL_V = 5.0


def input_pulls(parameters: TwinParameters) -> dict[str, Pull]:
    """Return the pull, and a short or bridge where there is one, of every input pin by name.

    A discrete's bridge leads to the pin of the next discrete. Rheostat wipers have none of it.

    Raises:
        ValueError: the twin names a quantity it does not have.
    """
    quantities = twin_quantities(parameters)
    line = Pull(voltage_v=LINE_PULL_V, resistance_ohm=LINE_PULL_OHM)
    pulls = dict.fromkeys((*(switch.pin for switch in parameters.switches), *parameters.pulled_up_pins), line)
    airspeed = parameters.airspeed
    if airspeed.route == "switch":
        pulls[airspeed.pin] = line
    if airspeed.route == "analogue":
        pulls[airspeed.pin] = Pull(voltage_v=airspeed.pull_v, resistance_ohm=airspeed.pull_ohm)
    for rheostat in parameters.rheostats:
        pulls[rheostat.pin] = Pull(
            voltage_v=quantities[f"{rheostat.name}.pull_v"], resistance_ohm=quantities[f"{rheostat.name}.pull_ohm"]
        )
    following = {discrete.name: after.pin for discrete, after in pairwise(parameters.discretes)}
    for discrete in parameters.discretes:
        pulls[discrete.pin] = Pull(
            voltage_v=quantities[f"{discrete.name}.pull_v"],
            resistance_ohm=quantities[f"{discrete.name}.pull_ohm"],
            ground_short_s=quantities[f"{discrete.name}.ground_short_s"],
            bridge_s=quantities[f"{discrete.name}.bridge_s"] if discrete.name in following else 0.0,
            bridged_pin=following.get(discrete.name, ""),
        )
    return pulls
