"""How much memory this process may use: the reader spools or refuses what does not fit."""

from __future__ import annotations

import sys
from pathlib import Path

CGROUP_LIMITS = (Path("/sys/fs/cgroup/memory.max"), Path("/sys/fs/cgroup/memory/memory.limit_in_bytes"))
NO_LIMIT_BYTES = 1 << 60  # what older systems write for "no limit"


def memory_limit_bytes() -> int | None:
    """The tightest limit set on this process or on its container; None where there is none."""
    found = [*_process_limits(), *_container_limits()]
    return min(found, default=None)


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
