"""Bytes to Recording: readers, their registry, and the roles of columns."""

from tightside.recordings.registry import FORMATS, read_recording

__all__ = ["FORMATS", "read_recording"]
