"""An archive reached by the DIMSE services C-FIND, C-GET and C-STORE (DICOM PS3.4 B and C)."""

from __future__ import annotations

import itertools
import socket
import ssl
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

from pydicom import uid as dicom_uid
from pydicom.config import IGNORE
from pydicom.dataset import Dataset
from pydicom.uid import UID, ImplicitVRLittleEndian
from pynetdicom import AE, evt
from pynetdicom.association import Association
from pynetdicom.dimse_primitives import C_STORE
from pynetdicom.events import Event
from pynetdicom.presentation import build_role
from pynetdicom.sop_class import (  # type: ignore[attr-defined]
    StudyRootQueryRetrieveInformationModelFind,
    StudyRootQueryRetrieveInformationModelGet,
)

from meniscal_measure.errors import ArchiveError, ArchiveUnreachableError
from meniscal_measure.exchange.peer import ArchivedSeries, Outcome, Query, in_order
from meniscal_measure.files import written_whole
from meniscal_measure.series.headers import MR_STORAGE

KEPT_SYNTAXES = (
    dicom_uid.ExplicitVRLittleEndian, dicom_uid.ImplicitVRLittleEndian, dicom_uid.JPEGLosslessSV1,
    dicom_uid.JPEGLSLossless, dicom_uid.JPEG2000Lossless, dicom_uid.JPEG2000,
    dicom_uid.JPEGBaseline8Bit, dicom_uid.JPEGExtended12Bit, dicom_uid.RLELossless,
)  # fmt: skip
"""Encodings in which archives hold MR images, each asked for by itself so that none is recoded;
an association has room for no more than 128 in all (DICOM PS3.8 9.3.2.2)."""
FIND = (StudyRootQueryRetrieveInformationModelFind, ImplicitVRLittleEndian)
GET = (StudyRootQueryRetrieveInformationModelGet, ImplicitVRLittleEndian)
"""The services asked for, in the encoding that every archive accepts (DICOM PS3.5 10.1)."""
PENDING = (0xFF00, 0xFF01)
"""C-FIND and C-GET: more is to come (DICOM PS3.4 C.4.1.1.4, C.4.3.1.4)."""
SUCCESS = 0x0000
COERCED = (0xB000, 0xB006, 0xB007)
"""C-STORE: stored, with elements coerced, discarded or not matching the class (PS3.4 B.2.3)."""
DUPLICATE = 0x0111
"""Duplicate SOP Instance (PS3.7 C.5.6): the archive has it already."""
CANNOT_UNDERSTAND = 0xC000
"""What we answer to an object that cannot be filed (PS3.4 B.2.3)."""
ANSWER_FAILED = 0xA700
"""Out of resources: what we answer when a fetched object cannot be written (PS3.4 B.2.3)."""


@dataclass(frozen=True)
class DimseArchive:
    """An archive at a host and port."""

    host: str
    port: int
    ae_title: str
    calling_ae_title: str = "MENISCAL"
    """Our own title, as the archive knows it."""
    timeout_s: float = 30.0
    """Longest wait for a connection, an answer or the next instance."""
    tls: ssl.SSLContext | None = field(default=None, repr=False, compare=False)
    """How the connection is secured; None sends in clear."""

    @property
    def name(self) -> str:
        """The address, as the log of sent objects records it.

        Examples
        --------
        >>> DimseArchive("localhost", 104, "ARCHIVE").name
        'dicom://ARCHIVE@localhost:104'
        """
        return f"dicom://{self.ae_title}@{self.host}:{self.port}"

    def find_series(self, query: Query) -> list[ArchivedSeries]:
        """List the MR series that match; see `Peer.find_series`."""
        with self._associated([FIND]) as association:
            studies = [*self._found(association, _keys("STUDY", **query.filters))]
            listed = {"Modality": "MR", "SeriesInstanceUID": "", "SeriesDescription": ""}
            return [
                ArchivedSeries.answered(study, series)
                for study in studies
                for series in self._found(
                    association, _keys("SERIES", StudyInstanceUID=study.StudyInstanceUID, **listed)
                )
            ]

    def find_instances(self, series: ArchivedSeries) -> list[str]:
        """List the instances of a series; see `Peer.find_instances`."""
        keys = _keys("IMAGE", **series.uids, SOPInstanceUID="", InstanceNumber="")
        with self._associated([FIND]) as association:
            return in_order(self._found(association, keys))

    def fetch(
        self, series: ArchivedSeries, instances: Sequence[str] | None, folder: Path
    ) -> Iterator[Outcome]:
        """Fetch instances by C-GET; see `Peer.fetch`."""
        outcomes: list[Outcome] = []
        keys = _keys("SERIES", **series.uids)
        if instances is not None:
            keys = _keys("IMAGE", **series.uids, SOPInstanceUID=list(instances))
        with self._associated(
            [GET],
            received=sorted(MR_STORAGE),
            handlers=[(evt.EVT_C_STORE, _store_received, [folder, outcomes])],
        ) as association:
            for status, answer in association.send_c_get(
                keys, StudyRootQueryRetrieveInformationModelGet
            ):
                code = self._checked(status, "C-GET")
                if code not in (*PENDING, SUCCESS):
                    failed = getattr(answer, "FailedSOPInstanceUIDList", None) or []
                    uids = [failed] if isinstance(failed, str) else failed
                    reason = f"the archive did not send it (status 0x{code:04X})"
                    outcomes += [Outcome(str(uid), reason) for uid in uids]
                    if not uids:
                        raise ArchiveError(f"{self.name} ended the retrieval: status 0x{code:04X}.")
        yield from outcomes

    def send(self, objects: Sequence[Dataset]) -> Iterator[Outcome]:
        """Store objects by C-STORE; see `Peer.send`."""
        kinds = {(UID(one.SOPClassUID), one.file_meta.TransferSyntaxUID) for one in objects}
        with self._associated(sorted(kinds)) as association:
            for one in objects:
                yield self._stored(association, one)

    def _stored(self, association: Association, one: Dataset) -> Outcome:
        uid = str(one.SOPInstanceUID)
        _await_reactor(association)
        if not association.is_established:
            reason = "the archive closed the association before it was sent"
            return Outcome(uid, reason, answered=False)
        try:
            status = association.send_c_store(one)
        except (ValueError, RuntimeError) as error:  # its class was not accepted
            return Outcome(uid, f"the archive does not accept this kind of object ({error})")
        if "Status" not in status:
            return Outcome(uid, "the archive gave no answer", answered=False)
        if status.Status in (SUCCESS, DUPLICATE, *COERCED):
            return Outcome(uid)
        comment = status.get("ErrorComment", "")
        return Outcome(
            uid, f"the archive refused it: status 0x{status.Status:04X} {comment}".strip()
        )

    def _found(self, association: Association, keys: Dataset) -> Iterator[Dataset]:
        _await_reactor(association)
        answers = association.send_c_find(keys, StudyRootQueryRetrieveInformationModelFind)
        for status, answer in answers:
            code = self._checked(status, "C-FIND")
            if code in PENDING and answer is not None:
                yield answer
            elif code != SUCCESS:
                raise ArchiveError(f"{self.name} refused the query: status 0x{code:04X}.")

    def _checked(self, status: Dataset, service: str) -> int:
        if "Status" not in status:
            raise ArchiveUnreachableError(
                f"{self.name} gave no answer to {service} within {self.timeout_s:g} s, or closed"
                " the connection. Try again; what has arrived is kept."
            )
        return int(status.Status)

    @contextmanager
    def _associated(
        self,
        requested: Sequence[tuple[UID, UID]],
        *,
        received: Sequence[UID] = (),
        handlers: Sequence[Any] = (),
    ) -> Iterator[Association]:
        """Open an association for pairs of class and transfer syntax, and release it.

        `received` are classes of objects that the archive may send us.
        """
        entity = AE(ae_title=self.calling_ae_title)
        entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = self.timeout_s
        entity.connection_timeout = self.timeout_s
        for sop_class, syntax in (*requested, *itertools.product(received, KEPT_SYNTAXES)):
            entity.add_requested_context(sop_class, syntax)
        try:
            association = entity.associate(
                self.host,
                self.port,
                ae_title=self.ae_title,
                ext_neg=[build_role(sop_class, scp_role=True) for sop_class in received],
                evt_handlers=[(evt.EVT_CONN_OPEN, _send_at_once), *handlers],
                tls_args=None if self.tls is None else (self.tls, self.host),
            )
        except (OSError, UnicodeError) as error:  # UnicodeError: a part of the name is too long
            raise ArchiveUnreachableError(
                f"{self.name} cannot be reached: its host has no address. Check the host and the"
                " network."
            ) from error
        if not association.is_established:
            raise self._refusal(association)
        try:
            yield association
        finally:
            if association.is_established:
                association.release()

    def _refusal(self, association: Association) -> ArchiveError:
        if association.is_rejected:
            return ArchiveError(
                f"{self.name} refused the association. Check both application entity titles:"
                f" ours is {self.calling_ae_title}."
            )
        if association.rejected_contexts:
            kinds = {UID(str(one.abstract_syntax)).name for one in association.rejected_contexts}
            return ArchiveError(
                f"{self.name} accepts none of {', '.join(sorted(kinds))}. Ask its operator to allow"
                f" them for our application entity title, {self.calling_ae_title}."
            )
        return ArchiveUnreachableError(
            f"{self.name} cannot be reached or did not answer. Check host, port, TLS and that the"
            " archive accepts connections from this machine and from our application entity title,"
            f" {self.calling_ae_title}."
        )


def _await_reactor(association: Association) -> None:
    """Let the association's own thread resume after the last answer, before the next request.

    pynetdicom 3.0 stops that thread while a request waits for its answer. It mistakes a
    thread that has not resumed yet for one that is stopped, and that thread then consumes the next
    answer; on a busy machine about one answer in some hundreds was lost.
    """
    while association.is_established and association._is_paused:
        time.sleep(0.0001)


def _send_at_once(event: Event) -> None:
    """Send small packets without waiting for more: many times faster for single slices."""
    connection = event.assoc.dul.socket
    if connection is not None and connection.socket is not None:
        connection.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _store_received(event: Event, folder: Path, outcomes: list[Outcome]) -> int:
    """Write an instance the archive sends to a file, as it was sent."""
    uid = str(cast(C_STORE, event.request).AffectedSOPInstanceUID)
    if not UID(uid, validation_mode=IGNORE).is_valid:  # it becomes the name of a file
        outcomes.append(Outcome(uid, "its SOP Instance UID is not valid"))
        return CANNOT_UNDERSTAND
    try:
        with written_whole(folder / f"{uid}.dcm", owner_only=True) as stream:
            stream.write(event.encoded_dataset())
    except Exception as error:  # whatever it is, the archive needs an answer
        outcomes.append(Outcome(uid, f"it cannot be written: {error}"))
        return ANSWER_FAILED
    outcomes.append(Outcome(uid))
    return SUCCESS


def _keys(level: str, **attributes: str | list[str]) -> Dataset:
    keys = Dataset()
    for keyword, value in {"QueryRetrieveLevel": level, **attributes}.items():
        setattr(keys, keyword, value)
    return keys
