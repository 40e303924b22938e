"""What a recording holds, as an entry of ``recordings``."""

from __future__ import annotations

import math

import numpy as np

from tightside.diagnosis import ChannelPart, RecordingPart, SpeedPart
from tightside.records import Channel, Floats, Levels, Readings, Recording, Trace


def recording_part(recording: Recording, rpm: Floats, warnings: tuple[str, ...] = ()) -> RecordingPart:
    """The entry for one recording.

    Parameters
    ----------
    rpm : (K,) float64
        Engine speed wherever it could be followed, empty when it could not. [rpm]
    """
    first = next((c.data for c in recording.channels if isinstance(c.data, Trace)), None)
    return RecordingPart(
        file=recording.file,
        kind=recording.kind,
        duration_s=max((c.data.duration_s for c in recording.channels), default=0.0),
        rate_hz=first.rate_hz if first is not None else None,
        rows=max((_rows(c) for c in recording.channels), default=0),
        rpm=_speed(recording, rpm),
        channels=tuple(_channel(c) for c in recording.channels),
        warnings=(*recording.warnings, *warnings),
        format=recording.format,
        sha256=recording.sha256,
    )


def _speed(recording: Recording, rpm: Floats) -> SpeedPart | None:
    logged = recording.with_role("log:rpm")
    if not len(rpm) and logged is not None and isinstance(logged.data, Readings):
        rpm = logged.data.values[np.isfinite(logged.data.values)]
    if not len(rpm):
        return None
    low, middle, high = np.percentile(rpm, [1, 50, 99]) if len(rpm) > 200 else np.percentile(rpm, [0, 50, 100])
    return SpeedPart(min=float(low), median=float(middle), max=float(high))


def _channel(channel: Channel) -> ChannelPart:
    return ChannelPart(
        column=channel.column,
        role=channel.role,
        unit=channel.unit,
        rows=_rows(channel),
        median=_median(channel),
        why=channel.why,
    )


def _rows(channel: Channel) -> int:
    data = channel.data
    if isinstance(data, Trace):
        return len(data.raw)
    return len(data.times_s)


def _median(channel: Channel) -> float | None:
    data = channel.data
    if isinstance(data, Trace):
        step = max(
            1, len(data.raw) // 1_000_000
        )  # a median of a million samples tells as much as of a thousand million
        value = float(np.nanmedian(data.raw[::step])) * data.scale + data.offset if len(data.raw) else math.nan
    elif isinstance(data, Levels):
        value = math.nan
    else:
        finite = data.values[np.isfinite(data.values)]
        value = float(np.median(finite)) if len(finite) else math.nan
    return value if math.isfinite(value) else None
