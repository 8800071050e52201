"""The findings that a catalogue names for a defect, sought among those of a run."""

from fnmatch import fnmatchcase


def unproved(patterns, findings, verdict, cause):
    """Return the patterns of ids that no finding of this verdict and cause matches."""
    proving = [one["id"] for one in findings if (one["verdict"], one["cause"]) == (verdict, cause)]
    return [pattern for pattern in patterns if not any(fnmatchcase(name, pattern) for name in proving)]
