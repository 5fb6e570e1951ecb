"""Send objects to an archive, by C-STORE or STOW-RS, and say of each whether it arrived."""

from __future__ import annotations

import contextlib
import enum
import logging
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pydicom.dataset import Dataset
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

from ongrowth.reports.dicom.export import Object
from ongrowth.series import tolerant

if TYPE_CHECKING:
    from pynetdicom.association import Association

_TIMEOUT_S = 60.0  # an archive under load answers late
_STORED, _WARNINGS = 0x0000, (0xB000, 0xB006, 0xB007)  # PS3.4 table B.2-1: stored, or stored with changes
_SYNTAXES = [ExplicitVRLittleEndian, ImplicitVRLittleEndian]  # what every archive takes


class Outcome(enum.StrEnum):
    """What is known of an object after sending."""

    STORED = "stored"
    REFUSED = "refused"
    UNKNOWN = "no answer, it may or may not be there"
    NOT_SENT = "not sent"


@dataclass(frozen=True, slots=True)
class Delivery:
    """What became of one object: its name, the outcome, and what the archive said or why it did not."""

    name: str
    outcome: Outcome
    words: str = ""

    def __str__(self) -> str:
        return f"{self.name}: {self.outcome}{f' ({self.words})' if self.words else ''}"


@dataclass(frozen=True, slots=True)
class Peer:
    """An archive by its application entity title, host and port."""

    title: str
    host: str
    port: int

    def __str__(self) -> str:
        return f"{self.title}@{self.host}:{self.port}"


def send_dimse(
    objects: Sequence[Object], peer: Peer, calling: str, tell: Callable[[str], None] = lambda _: None
) -> tuple[Delivery, ...]:
    """Send objects by C-STORE over one association; nothing is sent if one of them would be turned away.

    Parameters
    ----------
    objects : sequence of Object
        In the order of sending.
    peer : Peer
        Where to.
    calling : str
        Our own application entity title.
    tell : callable
        Told in words what is being done.

    Returns
    -------
    tuple of Delivery
        One for each object.
    """
    from pynetdicom import AE

    entity: Any = AE(ae_title=calling)
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = entity.connection_timeout = (
        _TIMEOUT_S
    )
    for uid in dict.fromkeys(one.dataset.SOPClassUID for one in objects):
        entity.add_requested_context(uid, _SYNTAXES)
    with _quiet("pynetdicom"):
        association = entity.associate(peer.host, peer.port, ae_title=peer.title)
        if not association.is_established:
            return _all(objects, *_why_not(association, peer))
        try:
            return _store_all(objects, association, tell)
        finally:
            if association.is_established:
                association.release()
            entity.shutdown()


def _why_not(association: Association, peer: Peer) -> tuple[Outcome, str]:
    """Return why there is no association."""
    answer: Any = association.acceptor.primitive
    if association.is_rejected and answer is not None:
        return Outcome.REFUSED, f"{peer} does not accept us: {answer.reason_str}; nothing was sent"
    if answer is None:
        return Outcome.NOT_SENT, f"nobody answers at {peer.host}:{peer.port}"
    return Outcome.NOT_SENT, f"{peer} broke off"


def _all(objects: Sequence[Object], outcome: Outcome, words: str) -> tuple[Delivery, ...]:
    return tuple(Delivery(one.name, outcome, words) for one in objects)


def _store_all(
    objects: Sequence[Object], association: Association, tell: Callable[[str], None]
) -> tuple[Delivery, ...]:
    accepted = {context.abstract_syntax for context in association.accepted_contexts}
    unwanted = sorted({one.kind for one in objects if one.dataset.SOPClassUID not in accepted})
    if unwanted:
        words = f"the archive takes no object of the kind {', '.join(unwanted)}; nothing was sent"
        return _all(objects, Outcome.REFUSED, words)
    return _in_turn(objects, lambda one: _store(one, association), tell)


def _in_turn(
    objects: Sequence[Object], send: Callable[[Object], Delivery], tell: Callable[[str], None]
) -> tuple[Delivery, ...]:
    """Send one after the other, until the archive is gone."""
    out: list[Delivery] = []
    for one in objects:
        if out and out[-1].outcome in (Outcome.UNKNOWN, Outcome.NOT_SENT):
            out.append(Delivery(one.name, Outcome.NOT_SENT, "the archive was gone"))
        else:
            tell(f"Sending {one.name}")
            out.append(send(one))
    return tuple(out)


def _store(one: Object, association: Association) -> Delivery:
    if not association.is_established:
        return Delivery(one.name, Outcome.NOT_SENT, "the archive was gone")
    try:
        with tolerant():
            status = association.send_c_store(one.dataset)
    except (RuntimeError, ValueError, OSError) as error:
        return Delivery(one.name, Outcome.UNKNOWN, str(error))
    code = status.get("Status")
    if code is None:
        return Delivery(one.name, Outcome.UNKNOWN)
    words = ", ".join(filter(None, (f"status {code:#06x}", str(status.get("ErrorComment", "")))))
    if code == _STORED or code in _WARNINGS:
        return Delivery(one.name, Outcome.STORED, "" if code == _STORED else f"with changes, {words}")
    return Delivery(one.name, Outcome.REFUSED, words)


def send_web(
    objects: Sequence[Object], url: str, tell: Callable[[str], None] = lambda _: None
) -> tuple[Delivery, ...]:
    """Send objects by STOW-RS, each by a request of its own, until the archive is gone.

    Credentials are taken from ``~/.netrc`` if that names the host.

    Parameters
    ----------
    objects : sequence of Object
        In the order of sending.
    url : str
        Root of the service, for example ``https://archive/dicom-web``.
    tell : callable
        Told in words what is being done.

    Returns
    -------
    tuple of Delivery
        One for each object.

    Raises
    ------
    ValueError
        If `url` is none.
    """
    from dicomweb_client.api import DICOMwebClient

    with _quiet("dicomweb_client"):
        # one piece: not every archive takes chunks
        client = DICOMwebClient(url.rstrip("/"), chunk_size=2**31, timeout=_TIMEOUT_S)
        client.set_http_retry_params(retry=False)
        return _in_turn(objects, lambda one: _post(client, one), tell)


def _post(client: Any, one: Object) -> Delivery:
    import requests

    try:
        with tolerant():
            answer = client.store_instances([one.dataset])
    except requests.HTTPError as error:
        status = (
            "" if error.response is None else f"HTTP {error.response.status_code} {error.response.reason}"
        )
        return Delivery(one.name, Outcome.REFUSED, status)
    except requests.ConnectTimeout:
        return Delivery(one.name, Outcome.NOT_SENT, "nobody answers")
    except requests.ConnectionError as error:
        return _broken(one, error)
    except (requests.RequestException, OSError, ValueError, LookupError, TypeError, AttributeError):
        return Delivery(one.name, Outcome.UNKNOWN, "its answer cannot be read")
    return _read_answer(one, answer)


def _broken(one: Object, error: Exception) -> Delivery:
    """Tell a connection that was never made from one that broke."""
    from urllib3.exceptions import MaxRetryError, NewConnectionError

    inner = error.args[0] if error.args else None
    reason = inner.reason if isinstance(inner, MaxRetryError) else inner
    if isinstance(reason, NewConnectionError):
        return Delivery(one.name, Outcome.NOT_SENT, "nobody answers")
    return Delivery(one.name, Outcome.UNKNOWN, "the connection broke")


def _read_answer(one: Object, answer: Dataset) -> Delivery:
    """Tell from the answer of an archive whether it has the object; an empty list of failures is none."""
    stored = {item.ReferencedSOPInstanceUID for item in answer.get("ReferencedSOPSequence") or ()}
    if one.dataset.SOPInstanceUID in stored:
        return Delivery(one.name, Outcome.STORED)
    failed = list(answer.get("FailedSOPSequence") or ())
    if failed:
        return Delivery(one.name, Outcome.REFUSED, f"reason {int(failed[0].get('FailureReason', 0)):#06x}")
    return Delivery(one.name, Outcome.UNKNOWN, "the archive does not confirm it")


@contextlib.contextmanager
def _quiet(name: str) -> Iterator[None]:
    """Keep a library from logging what we say ourselves, in our own words."""
    logger = logging.getLogger(name)
    before = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        logger.setLevel(before)
