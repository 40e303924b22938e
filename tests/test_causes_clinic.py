"""A small seeded piece of the simulated clinic; the whole of it is ``benchmarks/clinic.py``.

Its vehicles come from a fault model apart from the cause network. The figures are what this piece gives, with room for
its size; the targets themselves are held on 2,000 vehicles.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "benchmarks"))

import clinic
import clinic_tests


@pytest.fixture(scope="module")
def rows() -> list[clinic.Row]:
    return clinic.run(80, seed=41)


def test_clinic_top_cause_is_right_where_the_evidence_suffices(rows: list[clinic.Row]) -> None:
    enough = [r for r in rows if r.suffices]
    assert len(enough) > 40
    assert sum(r.right for r in enough) >= 0.95 * len(enough)


def test_clinic_probabilities_are_honest(rows: list[clinic.Row]) -> None:
    error, _ = clinic.calibration(clinic.all_pairs(rows))
    assert error < 0.03
    wrong, sure = clinic.sure_and_wrong(rows)
    expected = 0.02 * sure
    assert sure > 30 and wrong <= expected + 2.0 * expected**0.5  # two standard deviations of a count


def test_clinic_vehicles_differ_from_the_network_s_own_numbers() -> None:
    draws = [clinic.draw_clinic(clinic.np.random.default_rng(seed)) for seed in range(20)]
    assert clinic.np.std([c.keen for c in draws]) > 0.05 and clinic.np.std([c.told for c in draws]) > 0.1
    first, again = (next(iter(clinic.vehicles(1, 5)))[1] for _ in range(2))
    assert (first.faults, first.offset_deg) == (again.faults, again.offset_deg)


def test_calibration_of_honest_and_of_boastful_answers() -> None:
    honest = [(0.75, i % 4 != 0) for i in range(400)]
    assert clinic.calibration(honest)[0] == pytest.approx(0.0, abs=1e-12)
    assert clinic.calibration([(0.95, i % 2 == 0) for i in range(400)])[0] == pytest.approx(0.45)


def test_proposed_tests_reach_the_cause_in_fewer_minutes_than_the_textbook() -> None:
    ways = clinic_tests.run(5, seed=41)
    both = [(a.minutes, b.minutes) for _, a, b in ways if a.reached and b.reached]
    assert len(both) >= 3
    assert sum(a for a, _ in both) <= 0.7 * sum(b for _, b in both)
