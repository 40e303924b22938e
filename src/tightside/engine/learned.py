"""An engine file from what a known-good recording showed: its crank wheel and its cams' edges, and nothing else.

Where top dead centre is, a crank and a cam sensor do not say: ``position_0_deg`` is then a convention, and the file
says so (``position_0_known: false``).
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any, Literal

import numpy as np
from ruamel.yaml import YAML

from tightside.engine.model import (
    Cam,
    CamEdge,
    CamSensor,
    CrankSensor,
    Engine,
    Learned,
    LearnedRecording,
    SeenEdge,
    SensorName,
    Wheel,
)
from tightside.errors import DataError
from tightside.records import CamPattern, WheelPattern

SCHEMA_NAME: Literal["tightside/engine/1"] = "tightside/engine/1"
ON_GRID_DEG = 1e-6
MOST_POSITIONS = 2  # positions per pulse: a wheel with fewer teeth than gaps is written edge by edge
HEADER = """\
# Learned from a recording that was taken to be of an engine in good order. Angles are crank degrees, counted from the
# wheel's first pulse after its longest gap: where top dead centre is, such a recording does not show.
"""


def engine_from_patterns(
    name: str,
    wheel: WheelPattern,
    cams: Sequence[CamPattern],
    source: LearnedRecording,
    *,
    cam_teeth: int | None = None,
    notes: Sequence[str] = (),
) -> Engine:
    """A learned engine of one recording.

    Parameters
    ----------
    name : for people, and for ``--engine``
    wheel, cams : as the recording showed them; each cam's ``edge_sds_deg`` says how well
    source : the recording; its ``edges`` are filled in from ``cams``
    cam_teeth : teeth of the cams' sprockets, where that is known
    """
    made = {p.cam: _cam(p, cam_teeth) for p in sorted(cams, key=lambda p: p.cam)}
    seen = {name: tuple(SeenEdge(deg=e.deg, sd_deg=e.sd_deg or 0.0) for e in _edges(cam)) for name, cam in made.items()}
    return Engine(
        schema=SCHEMA_NAME,
        name=name,
        learned=Learned(vehicles=1, recordings=(source.model_copy(update={"edges": seen}),), notes=tuple(notes)),
        crank_sensor=CrankSensor(
            kind=_kind(wheel.kind),
            wheel=wheel_from(wheel),
            position_0_deg=0.0,
            position_0_known=False,
            active_edge=wheel.active_edge,
        ),
        cams=made,
    )


def _edges(cam: Cam) -> tuple[CamEdge, ...]:
    return cam.sensor.edges if cam.sensor is not None else ()


def _kind(kind: str | None) -> SensorName:
    return "vr" if kind == "vr" else "hall"


def _cam(pattern: CamPattern, cam_teeth: int | None) -> Cam:
    edges = [
        CamEdge(deg=round(float(d), 3) % 720.0, edge="rising" if up else "falling", sd_deg=round(float(s), 3))
        for d, up, s in zip(pattern.edges_deg, pattern.rising, pattern.edge_sds_deg, strict=True)
    ]
    sensor = CamSensor(kind=_kind(pattern.kind), edges=tuple(sorted(edges, key=lambda e: e.deg)))
    return Cam(sensor=sensor, cam_teeth=cam_teeth)


def wheel_from(wheel: WheelPattern) -> Wheel:
    """The wheel as the engine file writes it: equal positions with missing ones, or edges.

    Examples
    --------
    [0, 90, 180] -> teeth 4, missing 3;  [0, 70, 180, 250] -> edges
    """
    angles = np.asarray(wheel.angles_deg) - wheel.angles_deg[0]
    gaps = np.diff(np.append(angles, 360.0))
    positions = round(360.0 / float(gaps.min()))
    place = np.round(angles * positions / 360.0).astype(int)
    if positions <= MOST_POSITIONS * len(angles) and np.abs(angles - place * 360.0 / positions).max() < ON_GRID_DEG:
        return Wheel(teeth=positions, missing=tuple(sorted(set(range(positions)) - set(place.tolist()))))
    return Wheel(edges_deg=tuple(round(float(a), 9) for a in angles))


def with_recordings(engine: Engine, recordings: Sequence[LearnedRecording]) -> Engine:
    """The engine with other recordings behind it, checked again."""
    learned = (engine.learned or Learned()).model_copy(update={"recordings": tuple(recordings)})
    return engine.model_copy(update={"learned": learned})


def with_pooled(
    engine: Engine, edges: Mapping[str, Sequence[tuple[float, float]]], between: Mapping[str, float], vehicles: int
) -> Engine:
    """The engine with its cams' edges as several vehicles show them.

    Parameters
    ----------
    edges : cam -> (deg, sd_deg) of each edge, in the order of the file
    between : cam -> standard deviation from vehicle to vehicle. [deg]
    """
    cams, orders = dict(engine.cams), {}
    for name, pooled in edges.items():
        cam = engine.cams[name]
        if cam.sensor is None:
            continue
        turns = [720.0 * np.floor(deg / 720.0) for deg, _ in pooled]  # an edge may move over the end of the cycle
        order = np.argsort([deg - turn for (deg, _), turn in zip(pooled, turns, strict=True)], kind="stable")
        orders[name] = [(int(k), float(turns[k])) for k in order]
        moved = [
            cam.sensor.edges[k].model_copy(
                update={"deg": round(pooled[k][0] - turn, 3) % 720.0, "sd_deg": round(pooled[k][1], 3)}
            )
            for k, turn in orders[name]
        ]
        sensor = cam.sensor.model_copy(update={"edges": tuple(moved)})
        cams[name] = cam.model_copy(update={"sensor": sensor, "vehicle_sd_deg": round(between[name], 3)})
    learned = engine.learned or Learned()
    recordings = tuple(_reordered(r, orders) for r in learned.recordings)
    learned = learned.model_copy(update={"vehicles": vehicles, "recordings": recordings})
    return engine.model_copy(update={"cams": cams, "learned": learned})


def _reordered(recording: LearnedRecording, orders: Mapping[str, list[tuple[int, float]]]) -> LearnedRecording:
    """The recording's edges in the order of the file's."""
    seen = {
        cam: tuple(edges[k].model_copy(update={"deg": round(edges[k].deg - turn, 3)}) for k, turn in orders[cam])
        if cam in orders
        else edges
        for cam, edges in recording.edges.items()
    }
    return recording.model_copy(update={"edges": seen})


def engine_as_yaml(engine: Engine) -> str:
    """The engine file's text; what is not known is left out."""
    out = io.StringIO()
    yaml = YAML()
    yaml.default_flow_style = None  # the innermost groups on one line
    yaml.width = 110
    yaml.dump(_lean(engine.model_dump(mode="json", by_alias=True, exclude_defaults=True)), out)
    return HEADER + out.getvalue()


def _lean(value: Any) -> Any:
    """Without empty groups; ``schema`` and what has no default stay."""
    if isinstance(value, dict):
        return {str(k): _lean(v) for k, v in value.items() if v not in (None, {}, [])}
    if isinstance(value, list | tuple):
        return [_lean(v) for v in value]
    return value


def require_valve_data(engine: Engine) -> None:
    """Refuse a learned file that does not say what valves and pistons do.

    Raises
    ------
    DataError
        Naming what is missing.
    """
    if engine.learned is None:
        return
    missing = [n for n in ("cylinders", "geometry", "valves") if not getattr(engine, n)]
    missing += [f"cams.{n}.works" for n, cam in engine.cams.items() if not cam.works]
    if missing:
        raise DataError(
            code="learned-engine",
            what=f"{engine.name} was learned from a recording of crank and cam sensors, which shows neither top dead "
            "centre nor where valves open",
            expected=f"{', '.join(missing)} in its file",
            got="none",
            hint="Add them from the maker's data, or use the engine's own file",
        )
