"""What a case asks: landmarks, signs and facts, by topic, and which topics are asked at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from meniscal_measure.anatomy import Plane
from meniscal_measure.knee.answers import Root, RootSign, Topic
from meniscal_measure.knee.limb import LimbLandmark
from meniscal_measure.knee.named_landmarks import KneeLandmark
from meniscal_measure.knee.projection import BALL_EDGES
from meniscal_measure.knee.quantity import Visit

CENTRE, MIDDLE, MEASURED = "predicted_centre", "middle_of_the_plateau", "measured_slice"
"""Places near which to look that are no landmarks: see `LandmarkQuestion.near`."""

APEX_OF_SIDE, MARGIN_OF_SIDE = "{side}_eminence_apex", "{side}_cartilage_margin"
NEAR_ROOT = (KneeLandmark.ROOT_ATTACHMENT, KneeLandmark.POSTERIOR_HORN, CENTRE, APEX_OF_SIDE,
             MIDDLE)  # fmt: skip

ON_RADIOGRAPHS = frozenset({*LimbLandmark, *BALL_EDGES})
"""Names of landmarks that are placed on radiographs, not on slices."""


@dataclass(frozen=True)
class LandmarkQuestion:
    """A landmark that is asked for."""

    name: str
    """The landmark; {side} stands for the compartment of the root."""
    plane: Plane | None
    """Plane it is usually placed on; None for a radiograph."""
    why: str
    """What it is needed for."""
    near: tuple[str, ...] = ()
    """Landmarks or other places on whose slice it is looked for; the first that is known counts."""
    visit: Visit = Visit.BASELINE
    """The examination whose images it is placed on."""

    @property
    def key(self) -> str:
        """Key of its answer: `landmark.` or, on the follow-up, `follow_up.` and the name.

        Examples
        --------
        >>> LandmarkQuestion("tear", Plane.AXIAL, "gap", visit=Visit.FOLLOW_UP).key
        'follow_up.tear'
        """
        table = "landmark" if self.visit is Visit.BASELINE else self.visit.value
        return f"{table}.{self.name}"


@dataclass(frozen=True)
class TopicQuestions:
    """What one topic asks."""

    words: str
    """What it gives, as it is offered."""
    landmarks: tuple[LandmarkQuestion, ...] = ()
    signs: tuple[RootSign, ...] = ()
    numbers: tuple[str, ...] = ()
    """What is asked; numbers by their key in the answers."""
    after: tuple[RootSign, ...] = ()
    """Signs that call for it, where a reader sees one of them or is uncertain."""


def _asked(
    plane: Plane | None, why: str, near: tuple[str, ...], *names: str
) -> tuple[LandmarkQuestion, ...]:
    return tuple(LandmarkQuestion(name, plane, why, near) for name in names)


FIRST_LANDMARKS = (
    *_asked(Plane.CORONAL, "directions of the tibia", (MEASURED,),
            KneeLandmark.MEDIAL_PLATEAU_RIM, KneeLandmark.LATERAL_PLATEAU_RIM),
    *_asked(Plane.SAGITTAL, "predicted centre of the root, and the slices to look on", (MIDDLE,),
            APEX_OF_SIDE),
)  # fmt: skip
"""Asked in every case; the rims only where the extrusion was not measured."""

FIRST_SIGNS = (RootSign.GHOST, RootSign.CLEFT, RootSign.RADIAL, RootSign.TRUNCATION,
               RootSign.MARROW_OEDEMA)  # fmt: skip

CLEFT_EDGES = (KneeLandmark.CLEFT_EDGE_A, KneeLandmark.CLEFT_EDGE_B)

TOPICS: Mapping[Topic, TopicQuestions] = {
    Topic.GHOST: TopicQuestions(
        "signal of the posterior horn",
        (*_asked(Plane.SAGITTAL, "ghost: the root slice", NEAR_ROOT, KneeLandmark.POSTERIOR_HORN),
         *_asked(Plane.SAGITTAL, "ghost: a slice beside the root slice",
                 (KneeLandmark.POSTERIOR_HORN, *NEAR_ROOT),
                 KneeLandmark.HORN_BESIDE_A, KneeLandmark.HORN_BESIDE_B)),
        after=(RootSign.GHOST,),
    ),
    Topic.TEAR: TopicQuestions(
        "gap of the cleft and distance of the tear from the root, with its sub-type",
        (*_asked(Plane.AXIAL, "gap of the cleft, and distance of the tear",
                 (KneeLandmark.TEAR, *NEAR_ROOT), KneeLandmark.CLEFT_EDGE_A),
         *_asked(Plane.AXIAL, "gap of the cleft, same slice",
                 (KneeLandmark.CLEFT_EDGE_A, *NEAR_ROOT), KneeLandmark.CLEFT_EDGE_B),
         *_asked(Plane.AXIAL, "distance of the tear from the root, its sub-type",
                 (KneeLandmark.CLEFT_EDGE_A, *NEAR_ROOT), KneeLandmark.ROOT_ATTACHMENT)),
        after=(RootSign.CLEFT, RootSign.RADIAL),
    ),
    Topic.TRUNCATION: TopicQuestions(
        "height of the posterior horn at its free edge",
        (*_asked(Plane.SAGITTAL, "truncation", ("{side}_plateau",),
                 KneeLandmark.POSTERIOR_HORN_EDGE),
         *_asked(Plane.SAGITTAL, "truncation, on the slice of the outer edge",
                 (KneeLandmark.POSTERIOR_HORN_EDGE,), KneeLandmark.HORN_FREE_EDGE)),
        after=(RootSign.TRUNCATION,),
    ),
    Topic.MARROW: TopicQuestions(
        "signal of the marrow at the footprint",
        (*_asked(Plane.SAGITTAL, "marrow oedema", NEAR_ROOT, KneeLandmark.FOOTPRINT_MARROW),
         *_asked(Plane.SAGITTAL, "marrow oedema, marrow away from the joint",
                 (KneeLandmark.FOOTPRINT_MARROW, *NEAR_ROOT), KneeLandmark.REFERENCE_MARROW)),
        after=(RootSign.MARROW_OEDEMA,),
    ),
    Topic.OTHER_SIGNS: TopicQuestions(
        "two more signs", signs=(RootSign.GIRAFFE_NECK, RootSign.OCARINA)
    ),
    Topic.CENTRE_CHECK: TopicQuestions(
        "height of the predicted centre, and distances that check it",
        (*_asked(Plane.SAGITTAL, "height and check of the centre", NEAR_ROOT, MARGIN_OF_SIDE),
         *_asked(Plane.SAGITTAL, "check of the centre", NEAR_ROOT, KneeLandmark.CRUCIATE_MARGIN)),
    ),
    Topic.SAGITTAL_EXTRUSION: TopicQuestions(
        "posterior and anterior extrusion",
        (*_asked(Plane.SAGITTAL, "posterior extrusion", ("{side}_plateau",),
                 KneeLandmark.POSTERIOR_PLATEAU_MARGIN, KneeLandmark.POSTERIOR_HORN_EDGE),
         *_asked(Plane.SAGITTAL, "anterior extrusion", ("{side}_plateau",),
                 KneeLandmark.ANTERIOR_PLATEAU_MARGIN, KneeLandmark.ANTERIOR_HORN_EDGE)),
    ),
    Topic.TUNNEL: TopicQuestions(
        "planned tunnel",
        _asked(Plane.SAGITTAL, "planned tunnel, anteromedial cortex", (),
               KneeLandmark.TUNNEL_ENTRY),
    ),
    Topic.JOINT_SPACE: TopicQuestions(
        "width of the joint space",
        _asked(Plane.CORONAL, "joint space, same slice", (MEASURED,),
               KneeLandmark.MEDIAL_FEMORAL_SURFACE, KneeLandmark.MEDIAL_TIBIAL_SURFACE,
               KneeLandmark.LATERAL_FEMORAL_SURFACE, KneeLandmark.LATERAL_TIBIAL_SURFACE),
    ),
    Topic.SLOPE: TopicQuestions(
        "posterior slope of the tibia",
        (*_asked(Plane.SAGITTAL, "slope: axis of the tibia", (MIDDLE,),
                 KneeLandmark.SHAFT_CENTRE_UPPER, KneeLandmark.SHAFT_CENTRE_LOWER),
         *_asked(Plane.SAGITTAL, "slope", ("medial_plateau",),
                 KneeLandmark.MEDIAL_PLATEAU_FRONT, KneeLandmark.MEDIAL_PLATEAU_BACK),
         *_asked(Plane.SAGITTAL, "slope", ("lateral_plateau",),
                 KneeLandmark.LATERAL_PLATEAU_FRONT, KneeLandmark.LATERAL_PLATEAU_BACK)),
    ),
    Topic.LEG: TopicQuestions(
        "alignment of the leg on a radiograph",
        (*_asked(None, "hip-knee-ankle angle, mechanical axis deviation", (),
                 LimbLandmark.HIP_CENTRE, LimbLandmark.FEMORAL_KNEE_CENTRE,
                 LimbLandmark.TIBIAL_KNEE_CENTRE, LimbLandmark.ANKLE_CENTRE),
         *_asked(None, "angles of the joint lines", (),
                 LimbLandmark.FEMORAL_LINE_MEDIAL, LimbLandmark.FEMORAL_LINE_LATERAL,
                 LimbLandmark.TIBIAL_LINE_MEDIAL, LimbLandmark.TIBIAL_LINE_LATERAL)),
    ),
    Topic.BALL: TopicQuestions(
        "calibration ball on the radiograph",
        _asked(None, "lengths on the radiograph", (), *BALL_EDGES),
        numbers=("radiograph.ball_diameter_mm",),
    ),
    Topic.FOLLOW_UP: TopicQuestions(
        "root at follow-up: gap, and opening of the tunnel",
        tuple(
            replace(asked, visit=Visit.FOLLOW_UP)
            for asked in (
                *_asked(Plane.AXIAL, "gap at follow-up", (), *CLEFT_EDGES),
                *_asked(Plane.SAGITTAL, "predicted centre at follow-up", (MIDDLE,), APEX_OF_SIDE),
                *_asked(Plane.SAGITTAL, "distance of the tunnel from the centre",
                        (CENTRE, APEX_OF_SIDE), KneeLandmark.TUNNEL_APERTURE),
            )
        ),
    ),
}  # fmt: skip
"""What is asked beyond the short list, in the order in which it is asked."""

LANDMARK_WORDS: Mapping[str, str] = {
    KneeLandmark.HORN_BESIDE_A: "posterior horn on the slice on one side of the root slice",
    KneeLandmark.HORN_BESIDE_B: "posterior horn on the slice on the other side of the root slice",
    KneeLandmark.HORN_FREE_EDGE: "free edge of the posterior horn",
    KneeLandmark.POSTERIOR_HORN_EDGE: "outer edge of the posterior horn",
    KneeLandmark.ANTERIOR_HORN_EDGE: "outer edge of the anterior horn",
    KneeLandmark.CLEFT_EDGE_A: "edge of the cleft on one side",
    KneeLandmark.CLEFT_EDGE_B: "edge of the cleft on the other side",
    KneeLandmark.FOOTPRINT_MARROW: "marrow at the footprint",
    KneeLandmark.REFERENCE_MARROW: "marrow away from the joint",
    KneeLandmark.SHAFT_CENTRE_UPPER: "centre of the tibial shaft, near the joint",
    KneeLandmark.SHAFT_CENTRE_LOWER: "centre of the tibial shaft, as far down as it is seen",
    LimbLandmark.HIP_CENTRE: "centre of the femoral head",
    LimbLandmark.FEMORAL_KNEE_CENTRE: "middle of the distal femur, at its notch",
    LimbLandmark.TIBIAL_KNEE_CENTRE: "middle between the tibial eminences",
    LimbLandmark.ANKLE_CENTRE: "middle of the talar dome",
    LimbLandmark.FEMORAL_LINE_MEDIAL: "lowest point of the medial condyle",
    LimbLandmark.FEMORAL_LINE_LATERAL: "lowest point of the lateral condyle",
    LimbLandmark.TIBIAL_LINE_MEDIAL: "middle of the medial plateau",
    LimbLandmark.TIBIAL_LINE_LATERAL: "middle of the lateral plateau",
    BALL_EDGES[0]: "edge of the ball on one side",
    BALL_EDGES[1]: "edge of the ball on the opposite side",
}
"""What to place, where the name of the landmark does not say it."""

SIGN_PLANES = {
    RootSign.GHOST: Plane.SAGITTAL,
    RootSign.CLEFT: Plane.SAGITTAL,
    RootSign.RADIAL: Plane.AXIAL,
    RootSign.TRUNCATION: Plane.CORONAL,
    RootSign.MARROW_OEDEMA: Plane.SAGITTAL,
    RootSign.GIRAFFE_NECK: Plane.CORONAL,
    RootSign.OCARINA: Plane.SAGITTAL,
}
"""Where a reader looks for a sign; extrusion is measured, not asked."""

NUMBER_WORDS = {
    "facts.age_years": "Age in years?",
    "facts.body_mass_index": "Body mass index, kg/m²?",
    "facts.tear_age_days": "Age of the tear in days, from injury to baseline MRI?",
    "facts.radiographic_grade": "Kellgren-Lawrence grade, 0 to 4?",
    "facts.cartilage_grade": "Worst cartilage grade of the compartment, Outerbridge 0 to 4?",
    "facts.varus_deg": "Varus of the leg in degrees (negative is valgus)?",
    "radiograph.ball_diameter_mm": "Diameter of the ball in mm?",
}


def topics_of(root: Root) -> dict[Topic, TopicQuestions]:
    """Give the topics with the landmarks named for this root.

    Examples
    --------
    >>> asked = topics_of(Root.LATERAL_POSTERIOR)[Topic.CENTRE_CHECK].landmarks
    >>> [str(landmark.name) for landmark in asked]
    ['lateral_cartilage_margin', 'cruciate_margin']
    """
    return {
        topic: replace(asked, landmarks=for_root(asked.landmarks, root))
        for topic, asked in TOPICS.items()
    }


def for_root(landmarks: tuple[LandmarkQuestion, ...], root: Root) -> tuple[LandmarkQuestion, ...]:
    """Name landmarks, and where to look for them, for the compartment of a root."""
    side = root.compartment.value
    return tuple(
        replace(asked, name=asked.name.format(side=side),
                near=tuple(place.format(side=side) for place in asked.near))
        for asked in landmarks
    )  # fmt: skip


def sign_looks(root: Root) -> dict[RootSign, tuple[Plane, tuple[str, ...]]]:
    """Give the plane of each sign, and the places near which it is looked for.

    Examples
    --------
    >>> sign_looks(Root.MEDIAL_POSTERIOR)[RootSign.GIRAFFE_NECK]
    (<Plane.CORONAL: 'coronal'>, ('measured_slice',))
    """
    near = tuple(place.format(side=root.compartment.value) for place in NEAR_ROOT)
    return {
        sign: (plane, (MEASURED,) if sign is RootSign.GIRAFFE_NECK else near)
        for sign, plane in SIGN_PLANES.items()
    }
