"""Bytes to Recording: readers, their registry, and the roles of columns."""
