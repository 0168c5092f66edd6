"""Pulse sequence settings under which the synthetic knees are imaged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType


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
    """What makes the contrast of a series.

    Parameters
    ----------
    description
        Series Description as it is written to DICOM, without the plane.
    contrast
        Acquisition Contrast (0008,9209), defined terms of DICOM PS3.3 C.8.13.3.1.
    echo_type, repetition_time_ms, echo_time_ms, flip_angle_deg, echo_train_length
        Timing of the sequence.
    fat_suppressed
        Whether the signal of fat is suppressed or not excited.
    bandwidth_hz_per_px
        Pixel Bandwidth of the acquired matrix; sets the chemical shift.
    source
        Where the values come from.
    is_3d
        Whether a whole block is excited and its slices are encoded, as for isotropic series.
    """

    description: str
    contrast: str
    echo_type: EchoType
    repetition_time_ms: float
    echo_time_ms: float
    flip_angle_deg: float
    echo_train_length: int
    fat_suppressed: bool
    bandwidth_hz_per_px: float
    source: str
    is_3d: bool = False


PROTOCOLS: Mapping[ProtocolName, Protocol] = MappingProxyType(
    {
        ProtocolName.IW_TSE: Protocol(
            *("IW TSE", "PROTON_DENSITY", EchoType.SPIN_ECHO, 3700.0, 29.0, 180.0, 7, False, 352.0),
            source="Osteoarthritis Initiative coronal IW 2-D TSE, 3700/29 ms, echo train 7,"
            " 352 Hz/px: PMC5871621 Table 1, after Peterfy 2008 (read)",
        ),
        ProtocolName.PD_TSE_FS: Protocol(
            *(
                "PD TSE FS",
                "PROTON_DENSITY",
                EchoType.SPIN_ECHO,
                3200.0,
                30.0,
                180.0,
                7,
                True,
                352.0,
            ),
            source="TR/TE of the Osteoarthritis Initiative fat-suppressed IW TSE, 3200/30 ms:"
            " PMC5871621 Table 1 (read); echo train and bandwidth as of iw_tse",
        ),
        ProtocolName.T1_TSE: Protocol(
            *("T1 TSE", "T1", EchoType.SPIN_ECHO, 600.0, 12.0, 180.0, 3, False, 352.0),
            source="common practice, no source",
        ),
        ProtocolName.T2_TSE_FS: Protocol(
            *("T2 TSE FS", "T2", EchoType.SPIN_ECHO, 4000.0, 70.0, 180.0, 11, True, 352.0),
            source="common practice, no source",
        ),
        ProtocolName.PD_3D: Protocol(
            *(
                "PD 3D TSE",
                "PROTON_DENSITY",
                EchoType.SPIN_ECHO,
                1500.0,
                35.0,
                180.0,
                40,
                False,
                440.0,
            ),
            source="isotropic 3-D TSE of the knee: common practice, no source",
            is_3d=True,
        ),
        ProtocolName.GRE_WE: Protocol(
            *("T1 GRE WE", "T1", EchoType.GRADIENT_ECHO, 20.0, 7.57, 12.0, 1, True, 130.0),
            source="Osteoarthritis Initiative coronal FLASH with water excitation, 20/7.57 ms:"
            " PMC5871621 Table 1 (read); flip angle and bandwidth recalled, low confidence",
            is_3d=True,
        ),
    }
)
