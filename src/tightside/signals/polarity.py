"""Which of a coil's two crossings is the steep one: it stands at the tooth, the other drifts between teeth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tightside.records import Channel, EdgeTrain, Trace

CLEARLY = 1.4  # the steeper polarity is this much steeper, else it is left open


def with_sharper(train: EdgeTrain, channel: Channel) -> EdgeTrain:
    """The train with ``sharper`` filled in, for a sampled coil."""
    data = channel.data
    if train.kind != "vr" or not isinstance(data, Trace) or len(train.times_s) < 4:
        return train
    at = np.floor((train.times_s - data.start_s) * data.rate_hz).astype(np.int64)
    at = np.clip(at, 0, len(data.raw) - 2)
    step = np.abs(data.raw[at + 1].astype(np.float64) - data.raw[at].astype(np.float64))
    up, down = np.median(step[train.rising]), np.median(step[~train.rising])
    if up > CLEARLY * down:
        return replace(train, sharper="rising")
    return replace(train, sharper="falling") if down > CLEARLY * up else train
