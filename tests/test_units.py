"""Unit conversions against scipy.constants (CODATA and SI definitions)."""

from __future__ import annotations

import pytest
from scipy import constants

from tightside import units


def test_conversions_agree_with_scipy_constants() -> None:
    assert pytest.approx(constants.psi / 1000, rel=1e-12) == units.KPA_PER_PSI
    assert pytest.approx(constants.inch * 1000, rel=1e-12) == units.MM_PER_IN
    assert pytest.approx(constants.lbf * constants.foot, rel=1e-12) == units.NM_PER_LBFT
    for degc in (-40.0, 0.0, 93.0):
        assert units.degf_from_degc(degc) == pytest.approx(constants.convert_temperature(degc, "C", "F"))


@pytest.mark.parametrize("value", [-40.0, 0.0, 1.5, 1250.0])
def test_conversions_there_and_back_change_nothing(value: float) -> None:
    assert units.kpa_from_psi(units.psi_from_kpa(value)) == pytest.approx(value)
    assert units.mm_from_in(units.in_from_mm(value)) == pytest.approx(value)
    assert units.degc_from_degf(units.degf_from_degc(value)) == pytest.approx(value)


def test_texts_name_the_unit_of_the_chosen_system() -> None:
    assert units.pressure_text(1250.0, "metric") == "1250 kPa"
    assert units.pressure_text(1250.0, "us") == "181 psi"
    assert units.length_text(1.25, "us") == "0.049 in"
    assert units.temperature_text(90.0, "us") == "194 °F"


# ORIGIN: NIST SP 811 appendix B.8 (from memory): conventional inch of mercury, 3.386389 kPa.
def test_vacuum_is_said_in_inches_of_mercury_where_wanted() -> None:
    assert pytest.approx(3.386389, rel=1e-5) == units.KPA_PER_INHG
    assert units.vacuum_text(45.0, "us") == "13.3 inHg"
    assert units.vacuum_text(45.0, "metric") == "45 kPa"
