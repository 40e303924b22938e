"""How much memory this process may use: the reader spools or refuses what does not fit."""

from __future__ import annotations

import os
import sys
from pathlib import Path

CGROUP_LIMITS = (Path("/sys/fs/cgroup/memory.max"), Path("/sys/fs/cgroup/memory/memory.limit_in_bytes"))
NO_LIMIT_BYTES = 1 << 60  # what older systems write for "no limit"
M_ARENA_MAX = -8  # malloc.h of glibc


def memory_limit_bytes() -> int | None:
    """The tightest limit set on this process or on its container; None where there is none."""
    found = [*_process_limits(), *_container_limits()]
    return min(found, default=None)


def settle_in_little_room() -> None:
    """Where address space is limited, keep libraries from setting it aside for threads. Call before they are loaded.

    Measured: reading a small CSV takes 0.7 GB of address space this way, 1.7 GB otherwise; resident memory is the same.
    """
    if not _process_limits():
        return
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS"):
        os.environ.setdefault(name, "1")
    if sys.platform == "linux":
        import ctypes

        mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
        if mallopt is not None:
            mallopt(M_ARENA_MAX, 1)


def _process_limits() -> list[int]:
    if sys.platform == "win32":
        return []
    import resource

    limits = (resource.getrlimit(kind)[0] for kind in (resource.RLIMIT_AS, resource.RLIMIT_DATA))
    return [limit for limit in limits if 0 <= limit < NO_LIMIT_BYTES]


def _container_limits() -> list[int]:
    found = []
    for path in CGROUP_LIMITS:
        try:
            text = path.read_text(encoding="ascii").strip()
        except OSError:
            continue
        if text.isdecimal() and int(text) < NO_LIMIT_BYTES:
            found.append(int(text))
    return found
