"""A recording decoded whole: the same on one thread as on two."""

from __future__ import annotations

import numpy as np
import pytest

import edge_signals
from tightside.records import Channel, EdgeTrain, Recording, Trace, same
from tightside.signals import decode as decoding
from tightside.signals.decode import decode

RATE_HZ, DURATION_S = 100_000.0, 2.0


@pytest.fixture(scope="module")
def recording() -> Recording:
    crank = edge_signals.hall(edge_signals.crank_60_2(DURATION_S), RATE_HZ, DURATION_S, noise=0.01)
    cam = edge_signals.hall(edge_signals.cam(DURATION_S), RATE_HZ, DURATION_S, noise=0.01, seed=2)
    volts = {"crank": crank, "cam:1A": cam, "cam:1B": cam[::-1], "cam:2A": np.full(len(cam), np.nan)}
    channels = [Channel(role, Trace(y, RATE_HZ), unit="V", role=role) for role, y in volts.items()]
    return Recording(file="made here", kind="sensor", channels=tuple(channels))


def test_decode_on_two_threads_gives_the_same_in_the_same_order(
    recording: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, said = decode(recording), []
    monkeypatch.setattr(decoding, "THREADED_BYTES", 0)
    two = decode(recording, progress=lambda what, _share: said.append(what))
    assert list(two.trains) == list(one.trains) == ["crank", "cam:1A", "cam:1B", "cam:2A"]
    assert all(same(two.trains[c], one.trains[c]) for c in one.trains)
    for part in ("wheel", "track", "clock", "cams", "cycles", "faults", "notes"):
        assert same(getattr(two, part), getattr(one, part))
    assert said[:4] == [f"edges of {c}" for c in one.trains]


def test_decode_on_two_threads_passes_an_error_on(recording: Recording, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_train: EdgeTrain) -> None:
        raise ValueError("no edges today")

    monkeypatch.setattr(decoding, "THREADED_BYTES", 0)
    monkeypatch.setattr(decoding, "without_chatter", refuse)
    with pytest.raises(ValueError, match="no edges today"):
        decode(recording)
