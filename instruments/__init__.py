"""Drivers, their transports and the simulated bench; knows no unit sheet, no limit and no verdict."""
