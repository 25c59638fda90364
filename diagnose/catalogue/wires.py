"""The resistance of a wire out of its area and length.

A law with its constants; everything else about wires is knowledge.
"""

from __future__ import annotations

CORE = "core.resistance"  # the value of a wire that is computed
COMPUTED = "computed"  # source of such values: neither read nor estimated, they follow from others

# Annealed copper of 100 % conductivity at 20 C: IEC 60028, 17.241 ohm mm2 per km.
COPPER_OHM_MM2_PER_M = 17.241e-3
# Lay of a flexible conductor makes its strands longer than the wire. 1.05 is the lower end of the usual
# allowance for class 5 (1.05 to 1.08); more would pass the limit of ISO 6722-1 at 10 mm2.
STRANDING = 1.05
# A sound crimp, one at each end. Estimate: connector limits when new are 1 to 10 mohm with the contact;
# the crimp alone is well below.
CRIMP_OHMS = 0.5e-3
# Relative standard deviation: areas are sold to a maximum resistance and run a few per cent better, and a
# loom works from 0 to 60 C (+-0.4 % per K of IEC 60228's correction). Estimate.
WIRE_TOLERANCE = 0.06


def conductor_ohms_per_m(area_mm2: float) -> float:
    """Resistance of stranded copper wire at 20 C, without its crimps.

    area_mm2  nominal cross-section [mm2], above 0
    returns   [ohm/m]
    source    IEC 60028 resistivity; tested against IEC 60228 class 5 and ISO 6722-1 limits
    """
    # R/L = rho / A
    return COPPER_OHM_MM2_PER_M * STRANDING / area_mm2


def wire_ohms(area_mm2: float, length_m: float) -> float:
    """Resistance of a made-up wire at 20 C with a crimp at each end [ohm]."""
    return conductor_ohms_per_m(area_mm2) * length_m + 2 * CRIMP_OHMS
