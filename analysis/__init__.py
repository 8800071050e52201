"""Captures to measurements to verdicts to report: pure, without instrument, clock or command line."""
