"""The library of Bayesian networks that ours is held against.

Its compiled part warns of its own making while it is imported, and dies where warnings are errors.
"""

from __future__ import annotations

import warnings

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pyagrum

__all__ = ["pyagrum"]
