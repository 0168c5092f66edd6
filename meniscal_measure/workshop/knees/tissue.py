"""The tissues of the synthetic knee, and the order in which they cover one another."""

from __future__ import annotations

from enum import IntEnum

from meniscal_measure.workshop.knees.parameters import Filling


class Tissue(IntEnum):
    """One flat list of what a point of the knee can be made of; the value is the label."""

    AIR = 0
    SKIN = 1
    FAT = 2
    MUSCLE = 3
    MARROW = 4
    MARROW_OEDEMA = 5
    CORTICAL_BONE = 6
    CARTILAGE = 7
    MEDIAL_MENISCUS = 8
    LATERAL_MENISCUS = 9
    TORN_MENISCUS = 10
    """Frayed or healing meniscal tissue at the edges of a tear, and mucoid degeneration."""
    LIGAMENT = 11
    TENDON = 12
    CAPSULE = 13
    """Joint capsule, menisco-capsular tissue and synovium."""
    FLUID = 14
    VESSEL = 15
    TUNNEL = 16
    """A drilled repair tunnel with its sutures and granulation tissue."""


class Depth(IntEnum):
    """Painting order, back to front: what comes later covers what came before.

    Bone covers the ends of the ligaments that insert in it. The menisci cover bone and cartilage,
    and only a tear covers a meniscus, so that the analytic landmarks of a meniscus are never
    hidden.
    """

    FAT = 0
    MUSCLE = 1
    SKIN = 2
    """Skin with the fat under it, and the air outside."""
    VESSEL = 3
    CYST = 4
    EFFUSION = 5
    CAPSULE = 6
    TENDON = 7
    LIGAMENT = 8
    JOINT_SPACE = 9
    CARTILAGE = 10
    BONE = 11
    MARROW = 12
    LESION = 13
    MENISCUS = 14
    TEAR = 15


FILLING_TISSUES = {
    Filling.SYNOVIUM: Tissue.CAPSULE,
    Filling.FAT: Tissue.FAT,
    Filling.FLUID: Tissue.FLUID,
    Filling.TENDON: Tissue.TENDON,
}
"""Tissue that fills a space of the joint."""
