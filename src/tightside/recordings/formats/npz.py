"""NumPy archives (.npz). Arrays that would have to be unpickled are refused."""

from __future__ import annotations

import numpy as np

from tightside.recordings.arrays import NamedArray, contents_of
from tightside.recordings.damage import damage_told
from tightside.recordings.source import Source
from tightside.recordings.tables import Contents, ReadOptions


def sniff(source: Source) -> str:
    """Whether it is a zip whose members are arrays."""
    return "" if source.head.startswith(b"PK\x03\x04") and b".npy" in source.head[:400] else "no zip of .npy arrays"


def read(source: Source, options: ReadOptions) -> Contents:
    """Every array in it."""
    with damage_told(source.name, "NumPy archive", "tokenize"), np.load(source.open(), allow_pickle=False) as archive:
        arrays = []
        for i, name in enumerate(archive.files):
            arrays.append(NamedArray(name, archive[name]))
            options.progress((i + 1) / len(archive.files))
    return contents_of(arrays, source.name)
