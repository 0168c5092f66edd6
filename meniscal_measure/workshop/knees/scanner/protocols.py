"""Pulse sequence settings under which the synthetic knees are imaged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import KW_ONLY, dataclass
from enum import StrEnum


class ProtocolName(StrEnum):
    """The protocols a recipe can name."""

    IW_TSE = "iw_tse"
    PD_TSE_FS = "pd_tse_fs"
    T1_TSE = "t1_tse"
    T2_TSE_FS = "t2_tse_fs"
    PD_3D = "pd_3d"
    GRE_WE = "gre_we"


class EchoType(StrEnum):
    """How the echo is formed, with the codes of DICOM Scanning Sequence (0018,0020)."""

    SPIN_ECHO = "SE"
    GRADIENT_ECHO = "GR"


@dataclass(frozen=True)
class Protocol:
    """What makes the contrast of a series."""

    description: str
    """Series Description as it is written to DICOM, without the plane."""
    contrast: str
    """Acquisition Contrast (0008,9209), defined terms of DICOM PS3.3 C.8.13.3.1."""
    repetition_time_ms: float
    echo_time_ms: float
    echo_train_length: int
    _: KW_ONLY
    fat_suppressed: bool = False
    """Whether the signal of fat is suppressed or not excited."""
    bandwidth_hz_per_px: float = 352.0
    """Pixel Bandwidth of the acquired matrix; sets the chemical shift."""
    echo_type: EchoType = EchoType.SPIN_ECHO
    flip_angle_deg: float = 180.0
    is_3d: bool = False
    """Whether a whole block is excited and its slices are encoded, as for isotropic series."""
    source: str = "common practice, no source"
    """Where the values come from."""


PROTOCOLS: Mapping[ProtocolName, Protocol] = {
    ProtocolName.IW_TSE: Protocol(
        *("IW TSE", "PROTON_DENSITY", 3700.0, 29.0, 7),
        source="Osteoarthritis Initiative coronal IW 2-D TSE, 3700/29 ms, echo train 7,"
        " 352 Hz/px: PMC5871621 Table 1, after Peterfy 2008 (read)",
    ),
    ProtocolName.PD_TSE_FS: Protocol(
        *("PD TSE FS", "PROTON_DENSITY", 3200.0, 30.0, 7),
        fat_suppressed=True,
        source="TR/TE of the Osteoarthritis Initiative fat-suppressed IW TSE, 3200/30 ms:"
        " PMC5871621 Table 1 (read); echo train and bandwidth as in iw_tse",
    ),
    ProtocolName.T1_TSE: Protocol("T1 TSE", "T1", 600.0, 12.0, 3),
    ProtocolName.T2_TSE_FS: Protocol("T2 TSE FS", "T2", 4000.0, 70.0, 11, fat_suppressed=True),
    ProtocolName.PD_3D: Protocol(
        *("PD 3D TSE", "PROTON_DENSITY", 1500.0, 35.0, 40),
        bandwidth_hz_per_px=440.0,
        is_3d=True,
        source="isotropic 3-D TSE of the knee: common practice, no source",
    ),
    ProtocolName.GRE_WE: Protocol(
        *("T1 GRE WE", "T1", 20.0, 7.57, 1),
        fat_suppressed=True,
        bandwidth_hz_per_px=130.0,
        echo_type=EchoType.GRADIENT_ECHO,
        flip_angle_deg=12.0,
        is_3d=True,
        source="Osteoarthritis Initiative coronal FLASH with water excitation, 20/7.57 ms:"
        " PMC5871621 Table 1 (read); flip angle and bandwidth recalled, low confidence",
    ),
}
