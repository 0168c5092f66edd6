"""Signal of each tissue under the pulse sequences a knee is examined with.

Ranges are relative to subcutaneous fat or fluid, whichever is brighter; they span what scanners
of different makers and field strengths show (common practice, no single source). One knee in six
gets wholly random tissue signals, so that shape is learnt and not only grey level.
"""

from __future__ import annotations

import torch
from torch import Tensor

from meniscal_measure.workshop.training.fields import Draw

Range = tuple[float, float]

SEQUENCES = ("T1", "PD", "PD fat-suppressed", "T2 fat-suppressed", "gradient echo")
GRADIENT_ECHO = 4
SEQUENCE_SHARE = (0.22, 0.14, 0.30, 0.09, 0.09)
"""Share of each sequence; the rest is random contrast."""

SIGNAL: dict[str, tuple[Range, Range, Range, Range, Range]] = {
    "marrow": ((0.60, 1.0), (0.45, 0.95), (0.06, 0.35), (0.04, 0.25), (0.08, 0.40)),
    "muscle": ((0.18, 0.42), (0.25, 0.50), (0.20, 0.50), (0.10, 0.30), (0.25, 0.55)),
    "cartilage": ((0.20, 0.50), (0.35, 0.75), (0.25, 0.80), (0.20, 0.50), (0.45, 1.0)),
    "fluid": ((0.15, 0.42), (0.50, 1.0), (0.75, 1.4), (0.90, 1.5), (0.55, 1.2)),
    "meniscus": ((0.03, 0.24), (0.03, 0.22), (0.02, 0.22), (0.02, 0.13), (0.03, 0.45)),
    "ligament": ((0.04, 0.24), (0.03, 0.24), (0.02, 0.26), (0.02, 0.18), (0.03, 0.30)),
    "cortex": ((0.0, 0.14), (0.0, 0.14), (0.0, 0.14), (0.0, 0.10), (0.0, 0.12)),
    "synovium": ((0.18, 0.60), (0.30, 0.70), (0.18, 0.80), (0.20, 0.90), (0.30, 0.80)),
    "skin": ((0.2, 0.9), (0.2, 0.9), (0.3, 1.0), (0.2, 0.8), (0.2, 0.9)),
}
DARK_MENISCUS_SHARE = 0.9
"""Share of knees in which the meniscus is darker than cartilage and fluid, as it is in life."""


def draw_contrast(draw: Draw) -> dict[str, Tensor]:
    """Signal of every tissue, one number per knee."""
    edges = torch.tensor(SEQUENCE_SHARE, device=draw.device).cumsum(0)
    kind = (torch.rand(draw.batch, 1, 1, 1, device=draw.device)[..., None] > edges).sum(-1)
    signal: dict[str, Tensor] = {}
    for tissue, ranges in SIGNAL.items():
        value = draw.uniform(0.02, 0.35 if tissue == "meniscus" else 1.0)
        for index, (low, high) in enumerate(ranges):
            value = torch.where(kind == index, draw.uniform(low, high), value)
        signal[tissue] = value
    fat = signal["marrow"] * draw.normal(1, 0.25).clamp(0.7, 1.6)
    signal["fat"] = torch.where(kind < len(SEQUENCES), fat, draw.uniform(0.02, 1))
    share = torch.where(kind == GRADIENT_ECHO, draw.uniform(0.5, 0.9), 0.7)
    brighter = share * torch.minimum(signal["cartilage"], signal["fluid"])
    darkened = torch.minimum(signal["meniscus"], brighter)
    dark = draw.chance(DARK_MENISCUS_SHARE) > 0
    signal["meniscus"] = torch.where(dark, darkened, signal["meniscus"])
    random_cortex = (kind == len(SEQUENCES)) & (draw.chance(0.3) > 0)
    signal["cortex"] = torch.where(random_cortex, signal["cortex"], draw.uniform(0, 0.14))
    signal["wet"] = ((kind == 2) | (kind == 3) | (kind == len(SEQUENCES))).float()
    return signal
