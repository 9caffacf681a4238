"""A season's forms in, a selection meeting's verdicts out."""

__version__ = "1.0.0"
