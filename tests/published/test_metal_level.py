"""What metal reads inside, against photon attenuation computed by other hands."""

import math

import pytest

from ongrowth.scan import Acquisition
from ongrowth.screw import metal_level_hu

# Effective energies behind 200 mm of water, keV: spekpy 2.5.4, 8 degree anode, 6 mm of aluminium.
EFFECTIVE_KEV = {80.0: 55.6, 100.0: 63.5, 120.0: 70.9, 140.0: 78.5}
WATER = {"H": 0.111898, "O": 0.888102}
TITANIUM = {"Ti": 0.90, "Al": 0.06, "V": 0.04}
STEEL = {"Fe": 0.655, "Cr": 0.17, "Ni": 0.12, "Mo": 0.025, "Mn": 0.02, "Si": 0.01}


def thin_object_hu(parts: dict[str, float], density: float, kev: float) -> float:
    """CT number of a thin object for photons of one energy; attenuation from the Elam tables (xraydb)."""
    xraydb = pytest.importorskip("xraydb", reason="the extra physics is not installed")

    def attenuation(of: dict[str, float]) -> float:
        return sum(share * float(xraydb.mu_elam(el, 1e3 * kev, kind="total")) for el, share in of.items())

    return 1000.0 * (density * attenuation(parts) / attenuation(WATER) - 1.0)


@pytest.mark.parametrize(
    ("material", "parts", "density"), [("titanium", TITANIUM, 4.43), ("steel", STEEL, 7.99)]
)
def test_metal_follows_the_voltage_as_attenuation_does(
    material: str, parts: dict[str, float], density: float
) -> None:
    level = {kvp: metal_level_hu(material, Acquisition(kvp=kvp))[0] for kvp in EFFECTIVE_KEV}
    thin = {kvp: thin_object_hu(parts, density, kev) for kvp, kev in EFFECTIVE_KEV.items()}
    for kvp in EFFECTIVE_KEV:
        # a rod hardens the beam within itself, more so where the tube gives soft rays
        assert level[kvp] / level[120.0] == pytest.approx(thin[kvp] / thin[120.0], rel=0.12)
        assert 0.5 < level[kvp] / thin[kvp] < 1.0


def test_without_a_voltage_the_level_is_less_sure() -> None:
    known = metal_level_hu("titanium", Acquisition(kvp=120.0))
    untold = metal_level_hu("titanium", Acquisition())
    virtual = metal_level_hu("titanium", Acquisition(kvp=120.0, algorithm="mono-energetic"))
    assert untold == virtual
    assert untold[0] == known[0]
    assert untold[1] > 2.0 * known[1]
    assert not math.isnan(untold[1])
