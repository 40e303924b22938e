"""Observations as findings: a yes or no as such, a value by how much likelier it is one way than the other."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np

from tightside.causes import numbers as n
from tightside.causes.hypotheses import Hypotheses
from tightside.causes.observations import Observations, Oil
from tightside.causes.signs import Finding, edge_ratio, lognormal_ratio, sign_finding

SignMaker = Callable[[str, str, bool | float, str], Finding]


def observed_findings(
    seen: Observations, cylinder_banks: Mapping[int, str], hypotheses: Hypotheses
) -> Iterator[Finding]:
    """Everything that was observed, each as one finding.

    Parameters
    ----------
    cylinder_banks : bank of each cylinder; the observations' own list comes before it
    """

    def sign(name: str, place: str, value: bool | float, text: str) -> Finding:
        return sign_finding(name, place, value, hypotheses, source="observation", text=text)

    yield from _told(seen, hypotheses, sign)
    yield from _oil(seen.oil, sign)
    yield from _cylinders(seen, {**cylinder_banks, **seen.bank_of_cylinder}, hypotheses, sign)
    yield from _results(seen, hypotheses, sign)


def _told(seen: Observations, hypotheses: Hypotheses, sign: SignMaker) -> Iterator[Finding]:
    """What the driver and the ear say."""
    if seen.starts is not None:
        yield sign("no_start", "", not seen.starts, "")
    if seen.failed is not None:
        yield sign("sudden", "", seen.failed == "suddenly", "")
    if seen.cold_rattle_s is not None:
        long = f"it rattles for {seen.cold_rattle_s:g} s after a cold start"
        value = lognormal_ratio(seen.cold_rattle_s, *n.RATTLE_S) if seen.cold_rattle_s > 0.0 else False
        yield sign("rattle", "", value, long if seen.cold_rattle_s > 0.0 else "")
    if seen.drive_noise is not None:
        yield sign("chain_noise", "", seen.drive_noise, "")
    if seen.recent_work is not None:
        yield sign("timing_work", "", bool({"timing", "engine"} & set(seen.recent_work)), "")
        yield sign("sensor_work", "", "sensors" in seen.recent_work, "")
    if seen.distance_km:
        yield _mileage(seen.distance_km, hypotheses)


def _mileage(distance_km: float, hypotheses: Hypotheses) -> Finding:
    """A worn chain is likelier on a vehicle that went far."""
    ratio = lognormal_ratio(distance_km, *n.WORN_KM)
    worn = np.any([hypotheses.column("chain_worn", bank) for bank in hypotheses.layout.banks], axis=0)
    return Finding(
        "mileage",
        f"it has gone {distance_km:,.0f} km".replace(",", " "),
        np.log(np.where(worn, ratio, 1.0)),
        "observation",
    )


def _oil(oil: Oil, sign: SignMaker) -> Iterator[Finding]:
    if oil.level is not None:
        yield sign("oil_level_low", "", oil.level == "low", "")
    if oil.pressure_kpa is not None:
        edge, width = n.LOW_OIL_KPA
        text = f"the oil pressure is {oil.pressure_kpa:.0f} kPa, warm at idle"
        yield sign("oil_pressure_low", "", edge_ratio(-oil.pressure_kpa, (-edge, width)), text)
    elif oil.pressure is not None:
        yield sign("oil_pressure_low", "", oil.pressure == "low", "")
    if oil.condition is not None:
        yield sign("oil_wrong", "", oil.condition != "good", "")
    elif oil.since_change_km is not None:
        text = f"the oil has gone {oil.since_change_km:.0f} km since its change"
        yield sign("oil_wrong", "", edge_ratio(oil.since_change_km, n.OVERDUE_KM), text)
    for name, value in (
        ("oil_leak", oil.leak_at_cover),
        ("metal_in_oil", oil.metal),
        ("plastic_in_oil", oil.plastic),
    ):
        if value is not None:
            yield sign(name, "", value, "")


def _cylinders(
    seen: Observations, cylinder_banks: Mapping[int, str], hypotheses: Hypotheses, sign: SignMaker
) -> Iterator[Finding]:
    """Gauge compression against the other bank; the worst leak of each bank."""
    banks = hypotheses.layout.banks
    only = banks[0] if len(banks) == 1 else None

    def by_bank(values: Mapping[int, float]) -> dict[str, list[float]]:
        found: dict[str, list[float]] = {}
        for cylinder, value in values.items():
            bank = cylinder_banks.get(cylinder, only)
            if bank in banks and bank is not None:
                found.setdefault(bank, []).append(value)
        return found

    compression = {bank: float(np.median(v)) for bank, v in by_bank(seen.compression_kpa).items()}
    for bank, here_kpa in compression.items():
        others = [v for b, v in compression.items() if b != bank]
        text = (
            f"the cylinders of {'bank ' + bank if bank.isdigit() else 'the engine'} reach {here_kpa:.0f} kPa by gauge"
        )
        if others and max(others) > 0.0:
            edge, width = n.WEAK_RATIO
            yield sign("bank_weak", bank, edge_ratio(-here_kpa / max(others), (-edge, width)), text)
        else:
            edge, width = n.WEAK_KPA
            yield sign("bank_weak", bank, edge_ratio(-here_kpa, (-edge, width)), text)
    for bank, leaks in by_bank(seen.leak_down_percent).items():
        text = f"the worst cylinder of {'bank ' + bank if bank.isdigit() else 'the engine'} leaks {max(leaks):.0f} %"
        yield sign("bank_leaks", bank, edge_ratio(max(leaks), n.LEAK_PERCENT), text)


def compared_banks(
    relative: Mapping[int, float], cylinder_banks: Mapping[int, str], hypotheses: Hypotheses
) -> Iterator[Finding]:
    """Banks side by side by the starter's current: the weaker one speaks for its drive."""
    banks: dict[str, list[float]] = {}
    for cylinder, value in relative.items():
        if cylinder_banks.get(cylinder) in hypotheses.layout.banks:
            banks.setdefault(cylinder_banks[cylinder], []).append(value)
    medians = {bank: float(np.median(values)) for bank, values in banks.items()}
    best = max(medians.values(), default=0.0)
    if len(medians) < 2 or best <= 0.0:
        return
    edge, width = n.WEAK_RATIO_CURRENT
    for bank, median in medians.items():
        text = f"by the starter's current bank {bank} compresses {100.0 * median / best:.0f} % of the best bank"
        ratio = edge_ratio(-median / best, (-edge, width))
        yield sign_finding("bank_weak", bank, ratio, hypotheses, source="recording", text=text)


#: entry of the results: (sign, whether a yes in the file means that the sign is there)
RESULT_SIGNS = {
    "marks_off": ("marks_off", True),
    "cam_turns": ("cam_turns_not", False),
    "chain_slack": ("chain_slack", True),
    "sensor_swap_moves_trouble": ("follows_sensor", True),
    "sensor_circuit_bad": ("sensor_circuit_bad", True),
    "crank_circuit_bad": ("crank_circuit_bad", True),
    "oil_valve_bad": ("valve_dead", True),
    "phaser_follows": ("does_not_follow", False),
    "phaser_play": ("phaser_play", True),
    "data_differs": ("data_differs", True),
    "sensor_wheel_turned": ("wheel_loose", True),
}


def _results(seen: Observations, hypotheses: Hypotheses, sign: SignMaker) -> Iterator[Finding]:
    layout = hypotheses.layout
    for entry, given in seen.results:
        name, straight = RESULT_SIGNS[entry]
        for place, value in given.items() if isinstance(given, dict) else [("", given)]:
            known = place in layout.cams or place in layout.banks or place == ""
            if value is not None and known:
                yield sign(name, place, value == straight, "")
