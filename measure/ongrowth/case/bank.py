"""From results of several patients to the blur of their protocols."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from ongrowth.calibration import Bank, PatientBlurs, Protocol, ToldBlur
from ongrowth.case.reading import Tell, silent
from ongrowth.case.together import grouped
from ongrowth.reading import ScanFacts, read_reading, read_told_blurs
from ongrowth.scan import refuse
from ongrowth.sentence import counted


@dataclass(frozen=True, slots=True)
class _Told:
    """What one CT tells of its blur, and whose it is."""

    patient: Path
    protocol: Protocol
    digest: str
    blurs: tuple[ToldBlur, ...]


def banks_of(results: Sequence[Path], tell: Tell = silent) -> tuple[Bank, ...]:
    """Return the banks of blurs that results hold, one for each protocol, that of most patients first.

    CTs in one folder of results are one patient's. A CT whose blur something else told has no say, nor has
    one whose kernel is not stated: it could be of any protocol.

    Parameters
    ----------
    results : sequence of Path
        Folders written by `check`, `follow` or `cohort`, or folders of such.
    tell : callable
        Told in words what is being done.

    Raises
    ------
    Refused
        ``no-reading`` where a folder holds no result; ``bank-empty`` where no CT tells its blur by itself;
        as `read_reading` does.
    """
    told = [one for folder in results for one in _told_in(folder, tell)]
    if not told:
        raise refuse(
            "bank-empty",
            "No CT of these results states its kernel and tells its blur by itself.",
            "Give results of DICOM images that were measured without a calibration, by this version.",
        )
    banks = [_bank(group) for group in grouped(told, _is_one_protocol)]
    return tuple(sorted(banks, key=lambda bank: -len(bank.patients)))


def _told_in(folder: Path, tell: Tell) -> Iterator[_Told]:
    files = sorted(folder.rglob("reading.json"))
    if not files:
        raise refuse(
            "no-reading",
            f"{folder} holds no result.",
            "Give folders that `ongrowth check`, `follow` or `cohort` wrote.",
        )
    tell(f"Reading {counted(len(files), 'result')} in {folder.name}")
    for file in files:
        if blurs := read_told_blurs(file):
            reading = read_reading(file)
            if not reading.scan.kernel:
                continue
            patient, digest = file.resolve().parent.parent, reading.provenance.input_digest
            yield _Told(patient, _protocol(reading.scan), digest, blurs)


def _protocol(scan: ScanFacts) -> Protocol:
    """Return the protocol of a CT; how strong an iterative reconstruction was, a result does not tell."""
    return Protocol(scan.scanner, scan.kernel, scan.algorithm, "", scan.kvp, scan.slice_thickness_mm)


def _is_one_protocol(first: _Told, other: _Told) -> bool:
    return not first.protocol.differences(other.protocol)


def _bank(group: Sequence[_Told]) -> Bank:
    patients = {one.patient: None for one in group}
    fullest = max((one.protocol for one in group), key=lambda protocol: protocol.n_known)
    return Bank(fullest, tuple(_patient([one for one in group if one.patient == p]) for p in patients))


def _patient(told: Sequence[_Told]) -> PatientBlurs:
    """Return what a patient's CTs tell; the same images measured twice count once."""
    once = {one.digest: one for one in told}
    blurs = tuple(blur for one in once.values() for blur in one.blurs)
    return PatientBlurs(tuple(once), blurs)
