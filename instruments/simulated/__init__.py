"""The simulated bench: one plant (supply, leads, unit, loads) and the instruments in front of it."""
