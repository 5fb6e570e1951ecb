"""The X-ray beam: tube spectra, attenuation, and the logarithm of a polychromatic transmission.

Spectra are computed with spekpy, attenuation with xraydb (Elam tables); both are kept as small
tables in ``data`` so that running needs neither. `compute_tables` makes them again.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ongrowth_phantoms.shapes import Real, real

Array = NDArray[np.float64]

ENERGIES_KEV = np.arange(12.5, 140.0)
TUBE_KVP = (80, 90, 100, 110, 120, 130, 140)
_ANODE_DEG, _FILTER_AL_MM = 8.0, 6.0
_GROUPS = 16  # energies kept by a beam; enough for 1e-4 of a line integral (see the tests)


@dataclass(frozen=True, slots=True)
class Material:
    """Density and mass fractions of a material (metals: weight percent of the trade, from memory)."""

    density_g_cm3: float
    parts: tuple[tuple[str, float], ...]


def _of(density: float, **parts: float) -> Material:
    return Material(density, tuple(parts.items()))


# Tissue: ICRU Report 44 mass fractions (typed from memory; the published attenuation agrees, see the tests).
MATERIALS = {
    "water": _of(1.0, H=0.111898, O=0.888102),
    "soft-tissue": _of(
        1.06, H=0.102, C=0.143, N=0.034, O=0.708, Na=0.002, P=0.003, S=0.003, Cl=0.002, K=0.003
    ),
    "muscle": _of(1.05, H=0.102, C=0.143, N=0.034, O=0.710, Na=0.001, P=0.002, S=0.003, Cl=0.001, K=0.004),
    "adipose": _of(0.95, H=0.114, C=0.598, N=0.007, O=0.278, Na=0.001, S=0.001, Cl=0.001),
    "cortical-bone": _of(
        1.92, H=0.034, C=0.155, N=0.042, O=0.435, Na=0.001, Mg=0.002, P=0.103, S=0.003, Ca=0.225
    ),
    "hydroxyapatite": _of(3.156, Ca=0.398936, P=0.184988, O=0.414070, H=0.002007),
    "pure-titanium": _of(4.506, Ti=1.0),
    "titanium": _of(4.43, Ti=0.90, Al=0.06, V=0.04),  # the alloy of bone screws
    "steel": _of(7.99, Fe=0.655, Cr=0.17, Ni=0.12, Mo=0.025, Mn=0.02, Si=0.01),
    "cobalt-chrome": _of(8.3, Co=0.66, Cr=0.28, Mo=0.06),
    "coating": _of(2.6, Ca=0.398936, P=0.184988, O=0.414070, H=0.002007),  # plasma-sprayed, porous
}


def compute_tables() -> tuple[Array, Array]:
    """Compute spectra (E, kVp) and mass attenuation in cm2/g (E, material) with spekpy and xraydb.

    Returns
    -------
    spectra : ndarray
        Photons per energy of each tube voltage, each summing to 1, behind 6 mm aluminium.
    attenuation : ndarray
        Total mass attenuation (coherent scatter included) of each of `MATERIALS`.

    Raises
    ------
    ImportError
        If the ``physics`` extra is not installed.
    """
    import spekpy
    import xraydb

    spectra = np.zeros((len(ENERGIES_KEV), len(TUBE_KVP)))
    for column, kvp in enumerate(TUBE_KVP):
        tube = spekpy.Spek(kvp=kvp, th=_ANODE_DEG, dk=1.0)
        tube.filter("Al", _FILTER_AL_MM)
        energy, fluence = tube.get_spectrum(edges=False)
        spectra[:, column] = np.interp(ENERGIES_KEV, energy, fluence, left=0.0, right=0.0)
    elements = {e for m in MATERIALS.values() for e, _ in m.parts}
    single = {e: np.asarray(xraydb.mu_elam(e, ENERGIES_KEV * 1000.0)) for e in elements}
    columns = [sum(share * single[e] for e, share in m.parts) for m in MATERIALS.values()]
    return spectra / spectra.sum(axis=0), np.stack([np.asarray(c) for c in columns], axis=1)


@functools.cache
def _table(name: str) -> dict[str, Array]:
    text = files("ongrowth_phantoms").joinpath("data", name).read_text(encoding="utf-8").splitlines()
    values = np.array([[float(v) for v in line.split(",")] for line in text[1:]])
    return dict(zip(text[0].split(","), values.T, strict=True))


def attenuation_per_mm(material: str, energy_kev: ArrayLike) -> Array:
    """Return the linear attenuation of a material, 1/mm, at energies between 12.5 and 139.5 keV."""
    table = _table("attenuation.csv")
    mass = np.exp(np.interp(np.log(energy_kev), np.log(ENERGIES_KEV), np.log(table[material])))
    return np.asarray(mass * MATERIALS[material].density_g_cm3 / 10.0)


def hu_at(material: str, energy_kev: ArrayLike) -> Array:
    """Return the CT number a material has in light of one energy."""
    water = attenuation_per_mm("water", energy_kev)
    return np.asarray(1000.0 * (attenuation_per_mm(material, energy_kev) / water - 1.0))


def spectrum(kvp: float) -> Array:
    """Return what an energy-integrating detector weighs at each of `ENERGIES_KEV`, summing to 1.

    Raises
    ------
    ValueError
        If the voltage is outside 80 to 140 kV.
    """
    if not TUBE_KVP[0] <= kvp <= TUBE_KVP[-1]:
        raise ValueError(f"no spectrum for {kvp:g} kV: 80 to 140 can be had")
    table = _table("spectra.csv")
    low = max(v for v in TUBE_KVP if v <= kvp)
    high = min(v for v in TUBE_KVP if v >= kvp)
    share = 0.0 if low == high else (kvp - low) / (high - low)
    weight = ENERGIES_KEV * ((1.0 - share) * table[f"kvp_{low}"] + share * table[f"kvp_{high}"])
    return np.asarray(weight / weight.sum())


@dataclass(frozen=True, slots=True, eq=False)
class Beam:
    """A beam in a few energies, corrected for water.

    Parameters
    ----------
    kvp : float
        Tube voltage.
    weight : ndarray, shape (E,)
        Share of each energy in the signal of the open beam.
    per_mm : dict of ndarray, shape (E,)
        Linear attenuation of each material; "mineral" is hydroxyapatite less the water it displaces,
        per mm of solid hydroxyapatite.
    water_mm, water_log : ndarray
        The water correction: thickness of water and the logarithm it gives.
    water_per_mm : float
        Attenuation of water that the correction scales to.
    """

    kvp: float
    weight: Real
    per_mm: dict[str, Real]
    water_mm: Array
    water_log: Array
    water_per_mm: float

    @classmethod
    def of(cls, kvp: float) -> Beam:
        """Return the beam of a tube voltage between 80 and 140 kV."""
        full = spectrum(kvp)
        behind = full * np.exp(-200.0 * attenuation_per_mm("water", ENERGIES_KEV))
        # as many energies where they matter: half by the open beam, half by the beam behind a patient
        rank = np.cumsum(0.5 * full / full.sum() + 0.5 * behind / behind.sum())
        group = np.minimum((rank * _GROUPS).astype(int), _GROUPS - 1)
        use = [group == g for g in range(_GROUPS) if full[group == g].sum() > 0.0]
        weight = np.array([full[u].sum() for u in use])
        energy = np.array(
            [np.average(ENERGIES_KEV[u], weights=(full + behind / behind.sum())[u]) for u in use]
        )
        per_mm = {m: attenuation_per_mm(m, energy) for m in MATERIALS}
        per_mm["mineral"] = per_mm["hydroxyapatite"] - per_mm["water"]
        water_mm = np.linspace(-60.0, 900.0, 1921)
        water_log = -np.log(np.exp(-water_mm[:, None] * per_mm["water"]) @ weight)
        slope = float(np.interp(201.0, water_mm, water_log) - np.interp(199.0, water_mm, water_log)) / 2.0
        lean = {m: real(v) for m, v in per_mm.items()}
        return cls(kvp, real(weight), lean, water_mm, water_log, slope)

    def transmitted(self, path_mm: dict[str, Real]) -> Real:
        """Return the share of the signal that passes given thicknesses of materials, mm (broadcast)."""
        shape = np.broadcast_shapes(*(p.shape for p in path_mm.values()))
        total = np.zeros(shape, dtype=np.float32)
        for k, weight in enumerate(self.weight):
            exponent = np.zeros(shape, dtype=np.float32)
            for material, path in path_mm.items():
                exponent -= self.per_mm[material][k] * path
            total += weight * np.exp(exponent, out=exponent)
        return total

    def water_equivalent_mm(self, logarithm: Real) -> Real:
        """Return the thickness of water that gives a logarithm: the water correction."""
        return real(np.interp(logarithm, self.water_log, self.water_mm))

    def hu_of(self, material: str, body_mm: float = 200.0) -> float:
        """Return the CT number of a thin piece of a material behind so much water."""
        passed = self.weight * np.exp(-body_mm * self.per_mm["water"])
        water = float(passed @ self.per_mm["water"])
        return 1000.0 * float(passed @ self.per_mm[material] / water - 1.0)
