"""One series from start to end: tissue, signal, k-space, coils, noise, grey values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from meniscal_measure.geometry import FloatArray, PixelGrid
from meniscal_measure.workshop.knees.scanner.fat_suppression import (
    LEFT_OVER,
    SuppressionFailure,
    remaining_fat,
)
from meniscal_measure.workshop.knees.scanner.image import ScannedStack
from meniscal_measure.workshop.knees.scanner.kspace import (
    ComplexArray,
    Motion,
    encode,
    reconstruct,
    shifted,
    window,
    with_motion,
)
from meniscal_measure.workshop.knees.scanner.occupancy import (
    LabelArray,
    Specimen,
    Subsampling,
    fine_images,
    tissue_labels,
)
from meniscal_measure.workshop.knees.scanner.protocols import Protocol
from meniscal_measure.workshop.knees.scanner.receive import (
    Coil,
    coil_noise,
    root_sum_of_squares,
    sensitivities,
)
from meniscal_measure.workshop.knees.scanner.sampling import StackPlan, pixel_points, stack_grids
from meniscal_measure.workshop.knees.scanner.signal import (
    REFERENCE_TISSUE,
    chemical_shift_px,
    tissue_signals,
)
from meniscal_measure.workshop.knees.scanner.texture import Texture, texture_of

FULL_SCALE = 2400
"""Grey value of the brightest tissue after any fat suppression, before coils and noise; leaves room
for both in 12 bits."""

LARGEST_GREY = 4095


@dataclass(frozen=True)
class Scanner:
    """The scanner and what is imperfect about it."""

    field_strength_t: float = 3.0
    """1.5 or 3."""
    snr: float = 50.0
    """Signal of cartilage over the standard deviation of one channel of the noise; infinity for
    none."""
    matrix_fraction: tuple[float, float] = (0.8, 1.0)
    """Acquired over shown matrix, for phase-encoding rows and frequency-encoding columns."""
    ringing_filter: float = 0.4
    """Strength of the window that damps Gibbs ringing, 0 to 1."""
    coil: Coil = field(default_factory=Coil)
    motion: Motion | None = None
    failure: SuppressionFailure | None = None
    """Of fat suppression."""
    texture: float = 1.0
    """Scale of the variation of signal inside a tissue; 0 for none."""
    chemical_shift: bool = True
    """Whether fat is displaced along the rows."""
    subsampling: Subsampling = field(default_factory=Subsampling)


def scan(
    specimen: Specimen,
    plan: StackPlan,
    protocol: Protocol,
    *,
    scanner: Scanner,
    seeds: tuple[int, int],
    signals: FloatArray | None = None,
    progress: Callable[[], None] = lambda: None,
) -> ScannedStack:
    """Image a specimen.

    Parameters
    ----------
    specimen, plan, protocol, scanner
        What lies in the scanner, and how it is imaged.
    seeds
        Of the specimen's texture and of the series' noise.
    signals
        Water and fat part of every tissue, as `signal.tissue_signals` gives them for the protocol,
        which is the default; others show the specimen in a contrast that no protocol has.
    progress
        Called after each slice.
    """
    grids = stack_grids(plan)
    if signals is None:
        signals = tissue_signals(protocol, scanner.field_strength_t)
    acquisition = _Acquisition(plan, protocol, scanner, texture_of(seeds[0]), signals)
    pixels, labels = [], []
    for index, grid in enumerate(grids):
        rng = np.random.default_rng([*seeds, index])
        magnitude, slice_labels = _acquire_slice(specimen, grid, acquisition, rng)
        pixels.append(_grey_values(magnitude, acquisition))
        labels.append(slice_labels)
        progress()
    return ScannedStack(
        pixels=np.stack(pixels),
        labels=np.stack(labels),
        grids=grids,
        plan=plan,
        protocol=protocol,
        field_strength_t=scanner.field_strength_t,
        acquired=acquisition.acquired,
    )


@dataclass(frozen=True)
class _Acquisition:
    plan: StackPlan
    protocol: Protocol
    scanner: Scanner
    texture: Texture
    signals: FloatArray

    @property
    def shown(self) -> tuple[int, int]:
        return self.plan.rows, self.plan.columns

    @property
    def acquired(self) -> tuple[int, int]:
        phase, frequency = self.scanner.matrix_fraction
        return round(self.plan.rows * phase), round(self.plan.columns * frequency)

    @property
    def window(self) -> FloatArray:
        return window(self.acquired, self.scanner.ringing_filter)

    @property
    def noise_sd(self) -> float:
        return float(self.signals[:, REFERENCE_TISSUE].sum() / self.scanner.snr)


def _acquire_slice(
    specimen: Specimen, grid: PixelGrid, acquisition: _Acquisition, rng: np.random.Generator
) -> tuple[FloatArray, LabelArray]:
    scanner = acquisition.scanner
    water, fat = fine_images(
        specimen,
        grid,
        acquisition.signals,
        thickness_mm=acquisition.plan.thickness_mm,
        subsampling=scanner.subsampling,
    )
    in_plane = scanner.subsampling.in_plane
    labels = tissue_labels(specimen, grid)
    points_mm = pixel_points(grid)
    from_centre_mm = points_mm - acquisition.plan.centre_mm
    varied = 1 + scanner.texture * acquisition.texture.variation(points_mm, labels)
    varied_fat = varied = np.clip(varied, 0, None)
    if acquisition.protocol.fat_suppressed:
        varied_fat = varied * remaining_fat(from_centre_mm, scanner.failure)
    kspace = _encode(
        water * _enlarged(varied, in_plane), fat * _enlarged(varied_fat, in_plane), acquisition
    )
    object_image = reconstruct(kspace * acquisition.window, acquisition.shown)
    received = sensitivities(from_centre_mm, scanner.coil) * object_image
    noise = coil_noise(
        rng,
        acquisition.noise_sd,
        elements=scanner.coil.elements,
        shown=acquisition.shown,
        weights=acquisition.window,
    )
    return root_sum_of_squares(received + noise), labels


def _enlarged(image: FloatArray, factor: int) -> FloatArray:
    return np.repeat(np.repeat(image, factor, axis=0), factor, axis=1)


def _encode(water: FloatArray, fat: FloatArray, acquisition: _Acquisition) -> ComplexArray:
    """Encode water and fat, fat displaced along the frequency-encoding direction."""
    scanner, protocol = acquisition.scanner, acquisition.protocol
    shown, acquired = acquisition.shown, acquisition.acquired
    kspace = encode(fat, shown=shown, acquired=acquired)
    if scanner.chemical_shift:
        by_px = chemical_shift_px(protocol.bandwidth_hz_per_px, scanner.field_strength_t)
        by_px *= shown[1] / acquired[1]
        kspace = shifted(kspace, axis=1, by_px=by_px, shown=shown[1])
    kspace = kspace + encode(water, shown=shown, acquired=acquired)
    if scanner.motion is not None:
        height_mm = acquisition.plan.rows * acquisition.plan.row_spacing_mm
        kspace = with_motion(kspace, scanner.motion, field_of_view_mm=height_mm)
    return kspace


def _grey_values(magnitude: FloatArray, acquisition: _Acquisition) -> NDArray[np.uint16]:
    water, fat = acquisition.signals
    fat_left = LEFT_OVER if acquisition.protocol.fat_suppressed else 1
    scaled = np.rint(magnitude * FULL_SCALE / float((water + fat_left * fat).max()))
    return np.clip(scaled, 0, LARGEST_GREY).astype(np.uint16)
