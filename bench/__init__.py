"""Composes everything: command line, sheets, rig, runner, safety and records."""
