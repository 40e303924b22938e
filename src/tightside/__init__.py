"""Valve timing verdicts from recordings a technician can make in minutes."""

__version__ = "0.1.0"
