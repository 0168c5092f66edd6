"""The signal equations of the spin and the gradient echo, and the signal of each tissue."""

from __future__ import annotations

import numpy as np

from meniscal_measure.geometry import FloatArray
from meniscal_measure.workshop.knees.scanner.protocols import EchoType, Protocol
from meniscal_measure.workshop.knees.scanner.relaxation import PROPERTIES, Properties
from meniscal_measure.workshop.knees.tissue import Tissue

FIELD_STRENGTHS_T = (1.5, 3.0)
"""Field strengths for which the relaxation times are tabulated."""

FAT_SHIFT_PPM = 3.5
"""Chemical shift between water and the methylene peak of fat (textbook value, recalled)."""

PROTON_HZ_PER_T = 42.577e6
"""Gyromagnetic ratio of the proton over 2 pi (CODATA)."""

FIELD_DEPHASING_MS = 45.0
"""T2' of a knee away from metal and air: shortens T2 to T2* (free parameter)."""

REFERENCE_TISSUE = Tissue.CARTILAGE
"""Tissue to whose signal a signal-to-noise ratio refers."""


def spin_echo(
    proton_density: float, t1_ms: float, t2_ms: float, *, tr_ms: float, te_ms: float
) -> float:
    """Signal of a spin echo, PD (1 - exp(-TR/T1)) exp(-TE/T2).

    Examples
    --------
    Cartilage at 3 T (T1 1240, T2 36.9 ms) under 3700/29 ms:

    >>> round(spin_echo(1.0, 1240, 36.9, tr_ms=3700, te_ms=29), 3)
    0.433
    """
    recovered = 1 - np.exp(-tr_ms / t1_ms)
    return float(proton_density * recovered * np.exp(-te_ms / t2_ms))


def gradient_echo(
    proton_density: float,
    t1_ms: float,
    t2_star_ms: float,
    *,
    tr_ms: float,
    te_ms: float,
    flip_angle_deg: float,
) -> float:
    """Signal of a spoiled gradient echo in its steady state.

    PD sin(a) (1 - E1) / (1 - cos(a) E1) exp(-TE/T2*) with E1 = exp(-TR/T1) (Ernst and Anderson,
    Rev Sci Instrum 1966;37:93; quoted from memory).

    Examples
    --------
    >>> round(gradient_echo(1.0, 1240, 20.0, tr_ms=20, te_ms=7.57, flip_angle_deg=12), 3)
    0.061
    """
    flip = np.deg2rad(flip_angle_deg)
    kept = np.exp(-tr_ms / t1_ms)
    steady = np.sin(flip) * (1 - kept) / (1 - np.cos(flip) * kept)
    return float(proton_density * steady * np.exp(-te_ms / t2_star_ms))


def tissue_signals(protocol: Protocol, field_strength_t: float) -> FloatArray:
    """Signal of every tissue under a protocol, before any fat suppression.

    Water part and fat part, shape (2, tissues); column t belongs to tissue code t.

    Examples
    --------
    >>> from meniscal_measure.workshop.knees.scanner.protocols import PROTOCOLS, ProtocolName
    >>> water, fat = tissue_signals(PROTOCOLS[ProtocolName.PD_TSE_FS], 3.0)
    >>> bool(fat[Tissue.FAT] > water[Tissue.FAT]), float(fat[Tissue.FLUID])
    (True, 0.0)
    """
    at = FIELD_STRENGTHS_T.index(field_strength_t)
    total = np.array([_signal(PROPERTIES[tissue], protocol, at) for tissue in Tissue])
    fat = np.array([PROPERTIES[tissue].fat_fraction for tissue in Tissue])
    return np.stack([total * (1 - fat), total * fat])


def _signal(tissue: Properties, protocol: Protocol, at: int) -> float:
    t1_ms, t2_ms = tissue.t1_ms[at], tissue.t2_ms[at]
    tr_ms, te_ms = protocol.repetition_time_ms, protocol.echo_time_ms
    if protocol.echo_type is EchoType.SPIN_ECHO:
        return spin_echo(tissue.proton_density, t1_ms, t2_ms, tr_ms=tr_ms, te_ms=te_ms)
    return gradient_echo(
        tissue.proton_density,
        t1_ms,
        1 / (1 / t2_ms + 1 / FIELD_DEPHASING_MS),
        tr_ms=tr_ms,
        te_ms=te_ms,
        flip_angle_deg=protocol.flip_angle_deg,
    )


def chemical_shift_px(bandwidth_hz_per_px: float, field_strength_t: float) -> float:
    """Displacement of fat along the frequency-encoding direction, in acquired pixels.

    Examples
    --------
    >>> round(chemical_shift_px(352, 3.0), 2)
    1.27
    """
    return FAT_SHIFT_PPM * 1e-6 * PROTON_HZ_PER_T * field_strength_t / bandwidth_hz_per_px
