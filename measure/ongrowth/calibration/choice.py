"""Files that tell the blur of a protocol, and which of them fits a scan."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import TypeVar

from ongrowth.calibration import bank
from ongrowth.calibration.bank import Bank
from ongrowth.calibration.calibration import Calibration
from ongrowth.calibration.protocol import Protocol
from ongrowth.scan import Acquisition, Level, Problem, refuse

_Kind = TypeVar("_Kind", Calibration, Bank)


def read_blur(path: Path) -> Calibration | Bank:
    """Read a calibration or a bank of blurs.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    Refused
        ``calibration-unreadable``: not there, or neither.
    """
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        kind = Bank if record.get("schema") == bank.SCHEMA else Calibration
        return kind.from_dict(record)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError) as error:
        raise refuse(
            "calibration-unreadable",
            f"The calibration file {path.name} cannot be used ({type(error).__name__}).",
            "Give a file written by 'ongrowth calibrate' or 'ongrowth bank'.",
        ) from error


def best_match(told: Iterable[_Kind], acquisition: Acquisition) -> _Kind | None:
    """Return what fits the protocol of a scan and is stated most fully; None where nothing fits.

    Parameters
    ----------
    told : iterable of Calibration or Bank
        What there is.
    acquisition : Acquisition
        Facts of the scan.
    """
    own = Protocol.of(acquisition)
    fitting = [one for one in told if one.protocol and not one.protocol.differences(own)]
    return max(fitting, key=lambda one: one.protocol.n_known if one.protocol else 0, default=None)


def unfit_note(path: Path | None, acquisition: Acquisition) -> tuple[Problem, ...]:
    """Return what a reader must know where a folder of calibrations was given and none of them serves.

    Parameters
    ----------
    path : Path or None
        As `find_calibration` takes it.
    acquisition : Acquisition
        Facts of the scan.
    """
    if path is None or not path.is_dir():
        return ()
    if find_calibration(path, acquisition) or find_bank(path, acquisition):
        return ()
    own, there = Protocol.of(acquisition), [one.protocol for one in _all_in(path) if one.protocol]
    unlike = min((protocol.differences(own) for protocol in there), key=len, default=())
    nearest = f" of this CT's protocol (the nearest differs: {_fact_words(unlike)})" if unlike else ""
    text = f"The folder of calibrations that was given holds none{nearest}; none was used."
    return (Problem("calibration-not-used", Level.NOTE, text, "Calibrate the protocol of this CT."),)


def find_calibration(path: Path | None, acquisition: Acquisition) -> Calibration | None:
    """Return the calibration of a scan's protocol.

    Parameters
    ----------
    path : Path or None
        A file, which must not contradict the scan; a folder, of which the best match is taken; or None.
    acquisition : Acquisition
        Facts of the scan.

    Returns
    -------
    Calibration or None
        None where nothing was given, nothing in the folder fits, or the file is a bank.

    Raises
    ------
    Refused
        ``calibration-unreadable``, or ``calibration-mismatch`` for a single file of another protocol.
    """
    return _found(Calibration, path, acquisition)


def find_bank(path: Path | None, acquisition: Acquisition) -> Bank | None:
    """Return the bank of blurs of a scan's protocol.

    Parameters
    ----------
    path : Path or None
        As `find_calibration` takes it.
    acquisition : Acquisition
        Facts of the scan.

    Returns
    -------
    Bank or None
        None where nothing was given, nothing in the folder fits, or the file is a calibration. A scan whose
        kernel is not stated takes a bank by its own name alone, none of a folder.

    Raises
    ------
    Refused
        As `find_calibration` does.
    """
    return _found(Bank, path, acquisition)


def _found(kind: type[_Kind], path: Path | None, acquisition: Acquisition) -> _Kind | None:
    if path is None:
        return None
    if path.is_dir():
        is_blind = kind is Bank and not acquisition.kernel
        there = [one for one in _all_in(path) if isinstance(one, kind) and not is_blind]
        return best_match(there, acquisition)
    one = read_blur(path)
    wrong = one.protocol.differences(Protocol.of(acquisition)) if one.protocol else ()
    if wrong:
        raise refuse(
            "calibration-mismatch",
            f"The calibration {path.name} belongs to another protocol (different: {_fact_words(wrong)}).",
            "Give the calibration of this scan's protocol, or none.",
        )
    return one if isinstance(one, kind) else None


def _all_in(folder: Path) -> list[Calibration | Bank]:
    return [read_blur(file) for file in sorted(folder.glob("*.json"))]


def _fact_words(names: tuple[str, ...]) -> str:
    return ", ".join(name.removesuffix("_mm").replace("_", " ") for name in names)
