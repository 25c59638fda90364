"""The resistance of a wire against published conductor tables.

IEC 60228:2004 table 3, class 5 plain copper, maximum ohm/km at 20 C (read in three agreeing web copies);
ISO 6722-1, maximum ohm/km at 20 C (from memory); solid copper of ASTM B258 diameters, diameters from the
`fluids` package.
"""

from __future__ import annotations

import math

import pytest
from fluids.piping import t_from_gauge

from diagnose.catalogue.wires import CRIMP_OHMS, conductor_ohms_per_m, wire_ohms

COPPER = 17.241e-9  # ohm m: annealed copper, IEC 60028

IEC_60228_CLASS_5 = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
    25.0: 0.780,
}
ISO_6722_1 = {
    0.35: 54.4,
    0.5: 37.1,
    0.75: 24.7,
    1.0: 18.5,
    1.5: 12.7,
    2.0: 9.42,
    2.5: 7.60,
    3.0: 6.15,
    4.0: 4.71,
    6.0: 3.14,
    10.0: 1.82,
    16.0: 1.16,
    25.0: 0.743,
}


@pytest.mark.parametrize(("area", "limit"), IEC_60228_CLASS_5.items())
def test_a_wire_is_no_better_than_copper_and_keeps_the_limit_of_iec_60228_class_5(area, limit):
    ideal = COPPER / (area * 1e-6)
    assert ideal <= conductor_ohms_per_m(area) <= limit / 1000


@pytest.mark.parametrize(("area", "limit"), ISO_6722_1.items())
def test_a_wire_is_no_better_than_copper_and_keeps_the_limit_of_iso_6722_1(area, limit):
    ideal = COPPER / (area * 1e-6)
    assert ideal <= conductor_ohms_per_m(area) <= limit / 1000


@pytest.mark.parametrize("gauge", [8, 10, 12, 14, 16, 18, 20, 22, 24])
def test_a_wire_of_a_solid_gauge_is_the_stranding_allowance_above_astm_b258(gauge):
    """Stranding of class 5 is 1.05 to 1.08 times solid (web page on IEC 60228); diameters have 4 digits."""
    diameter = t_from_gauge(gauge, False, "AWG") * 0.0254
    solid = COPPER / (math.pi / 4 * diameter**2)
    area_mm2 = math.pi / 4 * (diameter * 1000) ** 2
    assert 1.05 * 0.995 <= conductor_ohms_per_m(area_mm2) / solid <= 1.08


def test_a_made_up_wire_has_its_conductor_and_two_crimps():
    # 2.5 mm2, 2 m: 17.241e-3 / 2.5 * 1.05 * 2 = 14.482 mohm, and 2 x 0.5 mohm
    assert wire_ohms(2.5, 2.0) == pytest.approx(15.482e-3, rel=1e-4)
    assert wire_ohms(2.5, 0.0) == 2 * CRIMP_OHMS == 1e-3


def test_every_area_of_the_tables_was_tried():
    assert len(IEC_60228_CLASS_5) == 10 and len(ISO_6722_1) == 13
