"""What makes one synthetic knee: its anatomical parameters, in groups, each with its range."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from meniscal_measure.anatomy import Compartment, Side
from meniscal_measure.workshop.knees.recipe_fields import Ranged, bounded

EXTRUSION_RANGE_MM = (-8.0, 12.0)
"""Allowed extrusion anywhere along the rim."""


class Sex(StrEnum):
    """Sex with the codes of DICOM Patient's Sex (0010,0040)."""

    FEMALE = "F"
    MALE = "M"


class RootTear(StrEnum):
    """Posterior root tear by arthroscopic type (LaPrade 2015, Am J Sports Med 43:363-369)."""

    NONE = "none"
    PARTIAL = "1"
    """Type 1: partial and stable."""
    COMPLETE = "2"
    """Type 2: complete radial tear within 9 mm of the attachment (A < 3, B < 6, C to 9 mm)."""
    BUCKET_HANDLE = "3"
    """Type 3: bucket-handle tear with complete root detachment."""
    COMPLEX = "4"
    """Type 4: complex oblique tear into the attachment with complete root detachment."""
    AVULSION = "5"
    """Type 5: bony avulsion of the attachment."""


class BodyTear(StrEnum):
    """Tears elsewhere in the meniscus, which are not to be taken for a root tear."""

    NONE = "none"
    RADIAL = "radial"
    """From the inner edge outward; the inner edge lies further out there."""
    HORIZONTAL = "horizontal"
    LONGITUDINAL = "longitudinal"


class Filling(StrEnum):
    """What fills a space of the joint."""

    SYNOVIUM = "synovium"
    FAT = "fat"
    FLUID = "fluid"
    TENDON = "tendon"


@dataclass(frozen=True)
class TibiaParameters(Ranged):
    """The tibial plateau.

    Width 73.4 +- 6.9 mm and width over depth 1.58 +- 0.11: Iranian MRI series (n = 132). Slopes
    and medial depth: Hashemi 2008, J Bone Joint Surg Am 90:2724-2734 (quoted from memory).
    """

    plateau_width_mm: float = bounded(55.0, 95.0, 73.4)
    width_over_depth: float = bounded(1.25, 1.95, 1.58)
    medial_slope_deg: float = bounded(-5.0, 16.0, 5.0)
    """Posterior slope, positive when the plateau falls off backwards."""
    lateral_slope_deg: float = bounded(-5.0, 16.0, 6.0)
    coronal_slope_deg: float = bounded(-3.0, 9.0, 2.0)
    """Positive when the medial rim lies below the lateral one."""
    medial_depth_mm: float = bounded(0.0, 6.0, 1.4)
    lateral_depth_mm: float = bounded(0.0, 4.0, 0.8)
    medial_tilt_deg: float = bounded(-12.0, 12.0, -1.0)
    """Rise of this plateau outward beside the coronal slope."""
    lateral_tilt_deg: float = bounded(-12.0, 12.0, -1.2)
    rim_radius_mm: float = bounded(0.8, 3.0, 1.8)
    """Radius of the turn from the plateau into the side wall."""
    medial_spine_mm: float = bounded(5.0, 16.0, 11.0)
    """Height of the medial spine over the line from rim to rim."""
    lateral_spine_mm: float = bounded(3.0, 15.0, 8.6)
    spine_valley_mm: float = bounded(-4.0, 4.0, 0.0)
    """Height of the valley between the spines above its usual one."""
    spine_separation_mm: float = bounded(6.0, 20.0, 12.8)
    """Distance of the spines' ridges from each other."""
    spine_shift_mm: float = bounded(-6.0, 6.0, 0.0)
    """How far the spines stand further back than usual."""
    spine_breadth: float = bounded(0.6, 1.5, 1.0)
    """Width of the spines from side to side, relative to the usual one."""
    lateral_spine_shift_mm: float = bounded(-6.0, 6.0, 0.0)
    """How far the lateral spine stands further back than usual against the medial one."""
    medial_wall_deg: float = bounded(-15.0, 30.0, 8.5)
    """Lean of the side wall inward, without the narrowing of the metaphysis."""
    lateral_wall_deg: float = bounded(-35.0, 25.0, -9.0)
    outline_fullness: float = bounded(1.0, 2.0, 1.3)
    """2: the plateaus are ovals of quarter ellipses; less: squarer."""
    flare: float = bounded(0.8, 1.25, 1.0)
    """Length over which the metaphysis narrows into the shaft, relative to the usual one."""
    growth_plate_mm: float = bounded(0.0, 1.5, 0.0)
    """Thickness of the scar of the growth plate; 0 where none is seen."""


@dataclass(frozen=True)
class FemurParameters(Ranged):
    """The distal femur, by its place over the tibia on the slice through the medial spine's apex.

    Notch and overhang: 44 real knees (see `tests/workshop/morphometry`). The rest by eye on public
    images; common practice, no source.
    """

    medial_overhang_mm: float = bounded(-5.0, 9.0, 2.2)
    """How far the medial condyle reaches beyond the tibial rim."""
    lateral_overhang_mm: float = bounded(-9.0, 5.0, -2.1)
    medial_contact_mm: float = bounded(-8.0, 8.0, 0.0)
    """How far the lowest line of the medial condyle lies further outward than usual."""
    lateral_contact_mm: float = bounded(-8.0, 8.0, 0.0)
    valgus_deg: float = bounded(-8.0, 16.0, 5.5)
    """Angle between the shafts; about 5 to 7 degrees in a neutral leg, less in varus."""
    flexion_deg: float = bounded(-6.0, 15.0, 2.0)
    """Flexion of the femoral shaft in the coil; the joint surfaces are those of a straight knee."""
    condyle_shoulder_mm: float = bounded(3.0, 10.0, 5.5)
    """Radius of the condyles from side to side, at their shoulders."""
    notch_width_mm: float = bounded(12.0, 36.0, 23.0)
    """Width at a quarter of the height."""
    notch_height_mm: float = bounded(14.0, 38.0, 24.4)
    """Height of the notch's roof over the condyles."""
    notch_slope: float = bounded(0.4, 2.2, 1.2)
    """Rise of the roof per mm backwards."""
    notch_outlet_mm: float = bounded(-5.0, 14.0, 4.5)
    """How far behind the apex of the medial spine the notch opens at its roof."""
    growth_plate_mm: float = bounded(0.0, 1.5, 0.0)
    """Thickness of the scar of the growth plate; 0 where none is seen."""
    condyle_crown_per_mm: float = bounded(0.002, 0.022, 0.008)
    """Rise of the condyle's surface with the square of the distance from its middle."""
    patella_height_mm: float = bounded(-10.0, 14.0, 0.0)
    """Patella higher (alta) or lower (baja) than usual."""


@dataclass(frozen=True)
class CartilageParameters(Ranged):
    """Cartilage thickness where it is thickest, and the fraction of it lost to wear."""

    tibial_medial_mm: float = bounded(0.8, 4.0, 2.0)
    tibial_lateral_mm: float = bounded(0.8, 5.0, 2.6)
    femoral_mm: float = bounded(0.8, 4.0, 2.2)
    medial_loss: float = bounded(0.0, 1.0, 0.0)
    lateral_loss: float = bounded(0.0, 1.0, 0.0)
    contact_gap_mm: float = bounded(0.0, 2.0, 0.2)
    """Fluid film between the cartilages where they are closest."""


@dataclass(frozen=True)
class MeniscusParameters(Ranged):
    """One meniscus. Body width 9.2 mm (Furumatsu 2017) to 11.7 mm (Bruns 2014) medially.

    Extrusion is given at three places along the rim and varies smoothly between them.
    """

    body_width_mm: float = bounded(5.0, 16.0, 10.0)
    anterior_width_mm: float = bounded(4.0, 16.0, 9.0)
    posterior_width_mm: float = bounded(4.0, 18.0, 11.5)
    height_mm: float = bounded(3.5, 9.0, 6.0)
    """Height at the outer wall, where the femur leaves room for it."""
    body_extrusion_mm: float = bounded(*EXTRUSION_RANGE_MM, 1.0)
    anterior_extrusion_mm: float = bounded(*EXTRUSION_RANGE_MM, 0.5)
    posterior_extrusion_mm: float = bounded(*EXTRUSION_RANGE_MM, 0.5)
    wall_height_mm: float = bounded(2.2, 4.5, 3.0)
    """Height of the outermost point above the tibial surface."""
    wall_bulge_mm: float = bounded(0.7, 2.5, 1.0)
    """How far the wall recedes between its outermost point and its lower edge."""
    tip_thickness_mm: float = bounded(0.6, 1.5, 0.8)
    hollow: float = bounded(-0.5, 0.8, 0.15)
    """0: straight upper surface; positive: hollow; negative: plump."""
    sag: float = bounded(0.0, 0.8, 0.25)
    """Fall of the extruded part below the plateau, in mm per mm."""
    degeneration: float = bounded(0.0, 1.0, 0.0)
    """Extent of mucoid signal inside the body that reaches no surface."""


@dataclass(frozen=True)
class TearParameters(Ranged):
    """Tears of one meniscus.

    The root tear lies `root_distance_mm` from the attachment (0 to 9 mm: LaPrade 2015) and
    gapes by `root_gap_mm`.
    """

    root: RootTear = RootTear.NONE
    root_distance_mm: float = bounded(0.0, 9.0, 2.0)
    root_gap_mm: float = bounded(0.0, 12.0, 2.0)
    root_healed: float = bounded(0.0, 1.0, 0.0)
    """1 when the gap is closed by scar, 0 when it is filled with fluid."""
    body: BodyTear = BodyTear.NONE
    body_angle_deg: float = bounded(-100.0, 120.0, 60.0)
    """Where along the rim: 0 is the middle of the body, positive backwards."""
    body_depth: float = bounded(0.1, 0.85, 0.5)
    """Fraction of the width (radial) or place within the width or height (others)."""
    body_gape_mm: float = bounded(0.3, 4.0, 1.2)
    body_bluntness: float = bounded(0.0, 1.0, 0.0)
    """0: a radial tear leaves a smaller triangle; 1: what is left is as high as it was, and ends
    abruptly."""


@dataclass(frozen=True)
class RepairParameters(Ranged):
    """A transtibial tunnel to the medial posterior root; radius 0 when there is none."""

    tunnel_radius_mm: float = bounded(0.0, 4.0, 0.0)
    offset_mm: float = bounded(0.0, 10.0, 0.0)
    """Distance from the tunnel's mouth to the centre of the footprint (about 4 mm achieved:
    PMC7219562)."""


@dataclass(frozen=True)
class JointParameters(Ranged):
    """Effusion, cyst, osteophytes, marrow oedema and what lies against the menisci."""

    effusion_mm: float = bounded(0.0, 14.0, 1.0)
    """Thickness of the fluid in front of and beside the femur."""
    popliteal_cyst_mm: float = bounded(0.0, 16.0, 0.0)
    medial_tibial_osteophyte_mm: float = bounded(0.0, 6.0, 0.0)
    lateral_tibial_osteophyte_mm: float = bounded(0.0, 6.0, 0.0)
    medial_femoral_osteophyte_mm: float = bounded(0.0, 6.0, 0.0)
    lateral_femoral_osteophyte_mm: float = bounded(0.0, 6.0, 0.0)
    medial_tibial_oedema_mm: float = bounded(0.0, 20.0, 0.0)
    medial_femoral_oedema_mm: float = bounded(0.0, 20.0, 0.0)
    lateral_tibial_oedema_mm: float = bounded(0.0, 20.0, 0.0)
    root_oedema_mm: float = bounded(0.0, 12.0, 0.0)
    """Radius of marrow oedema under the footprint of the medial posterior root."""
    medial_recess_fluid_mm: float = bounded(0.0, 4.0, 0.0)
    """Thickness of a fluid pocket against the outer wall of the meniscus."""
    lateral_recess_fluid_mm: float = bounded(0.0, 4.0, 1.0)
    recess_height_mm: float = bounded(-6.0, 8.0, 0.0)
    recess_angle_deg: float = bounded(-60.0, 60.0, 0.0)
    notch: Filling = Filling.FAT
    """What surrounds the cruciate ligaments."""
    medial_gap: Filling = Filling.SYNOVIUM
    """What lies between the outer wall of the meniscus and the capsule."""
    lateral_gap: Filling = Filling.SYNOVIUM
    gap_vessel_mm: float = bounded(0.0, 1.5, 0.0)
    """Radius of a vessel along the outer wall, where there is room for it; 0 for none."""


@dataclass(frozen=True)
class SoftTissueParameters(Ranged):
    """Ligaments, capsule, muscle, fat and skin."""

    fat_mm: float = bounded(2.0, 45.0, 9.0)
    """Subcutaneous fat beside the joint."""
    skin_mm: float = bounded(0.8, 2.5, 1.5)
    muscle_bulk: float = bounded(0.75, 1.25, 1.0)
    medial_collateral_mm: float = bounded(1.0, 4.5, 2.2)
    """Thickness of the superficial medial collateral ligament."""
    deep_collateral_mm: float = bounded(0.4, 2.5, 0.8)
    capsule_mm: float = bounded(0.3, 2.5, 0.7)
    capsule_gap_mm: float = bounded(0.0, 3.0, 0.4)
    """Menisco-capsular tissue between the outer wall and the capsule."""
    lateral_collateral_mm: float = bounded(2.2, 6.0, 3.6)


@dataclass(frozen=True)
class KneeParameters:
    """Everything that makes one knee. `KneeParameters()` is an average right knee."""

    side: Side = Side.RIGHT
    sex: Sex = Sex.FEMALE
    tibia: TibiaParameters = TibiaParameters()
    femur: FemurParameters = FemurParameters()
    cartilage: CartilageParameters = CartilageParameters()
    medial: MeniscusParameters = MeniscusParameters()
    lateral: MeniscusParameters = MeniscusParameters(
        body_width_mm=10.4,
        anterior_width_mm=10.0,
        posterior_width_mm=10.5,
        body_extrusion_mm=0.2,
        anterior_extrusion_mm=-0.3,
        posterior_extrusion_mm=-0.5,
    )
    medial_tear: TearParameters = TearParameters()
    lateral_tear: TearParameters = TearParameters()
    repair: RepairParameters = RepairParameters()
    joint: JointParameters = JointParameters()
    soft: SoftTissueParameters = SoftTissueParameters()

    def meniscus(self, compartment: Compartment) -> MeniscusParameters:
        """Return the meniscus of one compartment.

        Examples
        --------
        >>> KneeParameters().meniscus(Compartment.LATERAL).body_extrusion_mm
        0.2
        """
        return self.medial if compartment is Compartment.MEDIAL else self.lateral

    def tear(self, compartment: Compartment) -> TearParameters:
        """Return the tears of one meniscus.

        Examples
        --------
        >>> KneeParameters().tear(Compartment.MEDIAL).root
        <RootTear.NONE: 'none'>
        """
        return self.medial_tear if compartment is Compartment.MEDIAL else self.lateral_tear
