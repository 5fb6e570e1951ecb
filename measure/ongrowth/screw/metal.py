"""Which voxels are metal, and which of them hang together."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from ongrowth.scan import Scan, refuse

# Cortical bone stays below about 1700 HU at 120 kVp; noise and an edge-enhancing kernel add some hundreds.
_THRESHOLD_HU = 2500.0
# Below 95 kVp bone gains about a third, metal more.
_THRESHOLD_LOW_KVP_HU = 2800.0
_LOW_KVP = 95.0
# Room left below the ceiling, so that noise at the plateau does not tear a screw apart.
_BELOW_CEILING_HU = 300.0
_BLOCK_SLICES = 16
# Two hip prostheses come to about 300 cm3; beyond this volume the numbers are no CT numbers.
_LARGEST_MM3 = 600_000.0
_LARGEST_SHARE = 0.3
_HALF_NEIGHBOURS = [
    (dk, dj, di) for dk in (0, 1) for dj in (-1, 0, 1) for di in (-1, 0, 1) if (dk, dj, di) > (0, 0, 0)
]


def metal_threshold_hu(scan: Scan) -> float:
    """Return the CT number above which a voxel counts as metal, HU.

    Above any bone (also at low tube voltage) and below the ceiling where the scan stops.

    Parameters
    ----------
    scan : Scan
        The CT.
    """
    low_kvp = scan.acquisition.kvp < _LOW_KVP
    wanted = _THRESHOLD_LOW_KVP_HU if low_kvp else _THRESHOLD_HU
    if math.isfinite(scan.hu_ceiling):
        wanted = min(wanted, scan.hu_ceiling - _BELOW_CEILING_HU)
    return wanted


def metal_mask(scan: Scan, where: tuple[slice, slice, slice]) -> NDArray[np.bool_]:
    """Return which voxels of a part of the scan are metal, blooming included.

    Parameters
    ----------
    scan : Scan
        The CT.
    where : tuple of slice
        Array slices ``(k, j, i)``, as `Scan.box` gives them.

    Returns
    -------
    ndarray of bool
        In the shape of ``scan.hu[where]``.
    """
    return np.asarray(scan.hu[where] > metal_threshold_hu(scan))


def metal_voxels(scan: Scan, threshold_hu: float) -> NDArray[np.intp]:
    """Return the array indices ``(k, j, i)`` of all metal voxels, shape (N, 3).

    The volume is read once, in blocks, so that nothing of its size is allocated.

    Raises
    ------
    Refused
        ``no-metal`` if there is none, ``metal-implausible`` if it fills the scan.
    """
    found = []
    for start in range(0, scan.hu.shape[0], _BLOCK_SLICES):
        block = np.flatnonzero(scan.hu[start : start + _BLOCK_SLICES] > threshold_hu)
        found.append(block + start * scan.hu.shape[1] * scan.hu.shape[2])
    flat = np.concatenate(found) if found else np.zeros(0, dtype=np.intp)
    if flat.size == 0:
        raise refuse(
            "no-metal",
            f"No voxel of this scan is as dense as metal (above {threshold_hu:.0f} HU).",
            "Check that the scan covers the screw and holds CT numbers; a CT from before surgery is for "
            "ongrowth before.",
        )
    volume_mm3 = flat.size * scan.voxel_mm3
    if volume_mm3 > _LARGEST_MM3 or flat.size > _LARGEST_SHARE * scan.hu.size:
        raise refuse(
            "metal-implausible",
            f"{volume_mm3 / 1000.0:.0f} ml of this scan are as dense as metal.",
            "The numbers are probably not Hounsfield units: export the original series.",
        )
    return np.stack(np.unravel_index(flat, scan.hu.shape), axis=1)


def pieces(voxels: NDArray[np.intp], shape: tuple[int, ...]) -> list[NDArray[np.intp]]:
    """Return the connected pieces (26 neighbours) of a set of voxels, largest first.

    Parameters
    ----------
    voxels : ndarray, shape (N, 3)
        Array indices in rising order of the flat index.
    shape : tuple of int
        Shape of the volume.

    Returns
    -------
    list of ndarray, shape (M, 3)
        Array indices of each piece.
    """
    stride = np.array([(shape[1] + 2) * (shape[2] + 2), shape[2] + 2, 1])  # a border keeps rows apart
    flat = (voxels + 1) @ stride
    starts, ends = [], []
    for step in _HALF_NEIGHBOURS:
        wanted = flat + np.array(step) @ stride
        at = np.minimum(np.searchsorted(flat, wanted), flat.size - 1)
        hit = np.flatnonzero(flat[at] == wanted)
        starts.append(hit)
        ends.append(at[hit])
    rows, columns = np.concatenate(starts), np.concatenate(ends)
    graph = coo_array((np.ones(rows.size, dtype=np.int8), (rows, columns)), shape=(flat.size, flat.size))
    count, label = connected_components(graph, directed=False)
    order = np.argsort(label, kind="stable")
    parts = np.split(voxels[order], np.cumsum(np.bincount(label, minlength=count))[:-1])
    return sorted(parts, key=len, reverse=True)
