"""A running engine in numbers: recordings with a known truth."""
