"""What a person says about a case, kept in one file so that nothing is asked twice.

TOML: the facts of the knee, the signs a reader confirms, the tunnel that is planned, and landmarks,
each on its slice.
"""

from __future__ import annotations

import difflib
import tomllib
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta

from meniscal_measure.anatomy import Compartment, Plane, Side
from meniscal_measure.errors import InputError, UnreadableFileError
from meniscal_measure.files import read_bytes
from meniscal_measure.knee.limb import LimbLandmark
from meniscal_measure.knee.milestones import MilestonePlan
from meniscal_measure.knee.named_landmarks import KneeLandmark
from meniscal_measure.knee.projection import BALL_EDGES, PLACEMENT_SD_PX
from meniscal_measure.knee.quantity import Visit

MAX_FILE_BYTES = 1_000_000
"""Largest file of answers that is read; a hundred landmarks are 10 kB."""


class Root(StrEnum):
    """A meniscal root."""

    MEDIAL_POSTERIOR = "medial_posterior"
    LATERAL_POSTERIOR = "lateral_posterior"
    MEDIAL_ANTERIOR = "medial_anterior"
    LATERAL_ANTERIOR = "lateral_anterior"

    @property
    def words(self) -> str:
        """The root in plain words."""
        return f"{self.value.replace('_', ' ')} root"

    @property
    def compartment(self) -> Compartment:
        """The compartment it belongs to.

        Examples
        --------
        >>> Root.LATERAL_ANTERIOR.compartment.value
        'lateral'
        """
        return Compartment(self.value.partition("_")[0])


class TearForm(StrEnum):
    """Form of a tear as a reader sees it, which gives its arthroscopic type."""

    PARTIAL = "partial"
    COMPLETE_RADIAL = "complete_radial"
    BUCKET_HANDLE = "bucket_handle"
    OBLIQUE = "oblique"
    AVULSION = "avulsion"


class RootSign(StrEnum):
    """A sign of a torn root that a reader confirms."""

    GHOST = "ghost"
    CLEFT = "cleft"
    RADIAL = "radial"
    TRUNCATION = "truncation"
    MARROW_OEDEMA = "marrow_oedema"
    GIRAFFE_NECK = "giraffe_neck"
    OCARINA = "ocarina"
    EXTRUSION = "extrusion"


class Seen(StrEnum):
    """What a reader says of a sign."""

    PRESENT = "present"
    ABSENT = "absent"
    UNCERTAIN = "uncertain"


class Topic(StrEnum):
    """What is asked beyond the short list: where a sign calls for it, or on request."""

    GHOST = "ghost"
    TEAR = "tear"
    TRUNCATION = "truncation"
    MARROW = "marrow"
    OTHER_SIGNS = "other_signs"
    CENTRE_CHECK = "centre_check"
    SAGITTAL_EXTRUSION = "sagittal_extrusion"
    TUNNEL = "tunnel"
    JOINT_SPACE = "joint_space"
    SLOPE = "slope"
    LEG = "leg"
    BALL = "ball"
    FOLLOW_UP = "follow_up"


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A table of the file in which no other key is allowed."""


Grade = Annotated[int, Meta(ge=0, le=4)]

ADULT_YEARS = (16, 110)
"""Ages of adults whose growth plates are closed."""


class KneeAnswers(_Table, frozen=True, kw_only=True):
    """Which knee and which root the case is about."""

    study: str = ""
    """Study Instance UID of the baseline, so that answers are not taken for another knee's."""
    side: str | None = None
    root: Root = Root.MEDIAL_POSTERIOR
    tear_form: TearForm | None = None
    event_date: date | None = None
    """Date of injury: when the root tore, as far as the patient knows."""
    repair_date: date | None = None
    also: tuple[Topic, ...] = ()
    """Topics that were requested."""


class FactAnswers(_Table, frozen=True, kw_only=True):
    """Facts of the candidate that are entered; ranges are those of adults."""

    cartilage_grade: Grade | None = None
    """Worst cartilage of the compartment, Outerbridge."""
    radiographic_grade: Grade | None = None
    """Kellgren-Lawrence."""
    varus_deg: Annotated[float, Meta(ge=-30, le=30)] | None = None
    body_mass_index: Annotated[float, Meta(ge=10, le=80)] | None = None
    age_years: Annotated[float, Meta(ge=ADULT_YEARS[0], le=ADULT_YEARS[1])] | None = None
    tear_age_days: Annotated[float, Meta(ge=0, le=36500)] | None = None


class SignAnswer(_Table, frozen=True, kw_only=True):
    """What a reader says of one sign."""

    seen: Seen
    by: str = ""
    remark: str = ""


class TunnelAnswers(_Table, frozen=True, kw_only=True):
    """Size of the planned tunnel and of others in the same tibia."""

    diameter_mm: Annotated[float, Meta(gt=0, le=15)] | None = None
    other_diameter_mm: Annotated[float, Meta(gt=0, le=15)] | None = None


class RadiographAnswers(_Table, frozen=True, kw_only=True):
    """How landmarks on radiographs are placed, and a ball that calibrates them."""

    ball_diameter_mm: Annotated[float, Meta(gt=0, le=200)] | None = None
    """True diameter of the ball between ball_edge_a and ball_edge_b."""
    sd_px: Annotated[float, Meta(gt=0, le=100)] = PLACEMENT_SD_PX
    """Standard deviation of each landmark, each way."""


class LandmarkAnswer(_Table, frozen=True, kw_only=True):
    """A landmark on its slice or radiograph.

    `slice` is a SOP Instance UID, "instance:7" or "17" (from the front, the right or the feet);
    the latter two need the plane. For a landmark of the leg it is the radiograph: a SOP Instance
    UID, "instance:1", or "" where there is only one.
    """

    name: str
    slice: str
    pixel: tuple[float, float]
    plane: Plane | None = None
    visit: Visit = Visit.BASELINE
    sd_mm: Annotated[float, Meta(ge=0.02, le=10)] | None = None
    by: str = ""


class Answers(_Table, frozen=True, kw_only=True):
    """All of the file."""

    case: KneeAnswers = KneeAnswers()
    facts: FactAnswers = FactAnswers()
    sign: dict[RootSign, SignAnswer] = {}
    tunnel: TunnelAnswers = TunnelAnswers()
    radiograph: RadiographAnswers = RadiographAnswers()
    plan: MilestonePlan | None = None
    """The surgeon's own milestones, in place of the usual ones."""
    landmark: tuple[LandmarkAnswer, ...] = ()

    @property
    def side(self) -> Side | None:
        """The side as it was answered."""
        return None if self.case.side is None else Side.from_word(self.case.side)


def read_answers(file: Path) -> Answers:
    """Read the answers of a case.

    Raises
    ------
    UsageError
        If it cannot be read.
    UnreadableFileError
        If it is too large or is not TOML.
    InputError
        If a key is unknown or a value out of its range; the message says which.
    """
    content = read_bytes(file, "Name the file with the answers (TOML).", limit=MAX_FILE_BYTES + 1)
    if len(content) > MAX_FILE_BYTES:
        raise UnreadableFileError(
            "{file:private} is larger than {limit} MB, too large for the answers of one case. Name"
            " the file with the answers (TOML).",
            file=str(file),
            limit=MAX_FILE_BYTES // 10**6,
        )
    try:
        answers = tomllib.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:  # ValueError: not UTF-8, not TOML, endless digits
        raise UnreadableFileError(
            "{file:private} cannot be read as TOML: {why:private}. Correct the line it names, or"
            " delete the file to have an empty one written.",
            file=str(file),
            why=str(error),
        ) from error
    return answers_from(answers, str(file))


def answers_from(content: dict[str, object], file: str) -> Answers:
    """Check answers.

    Raises
    ------
    InputError
        If a key is unknown or a value out of its range.

    Examples
    --------
    >>> answers_from({"case": {"side": "left"}}, "answers.toml").side
    <Side.LEFT: 'L'>
    """
    try:
        answers = msgspec.convert(content, Answers)
        answers.side  # noqa: B018 - refuses a word that is no side
        _check_names(answers)
    except (msgspec.ValidationError, ValueError) as error:
        raise InputError(
            "{file:private}: {why:private}. Correct that answer.", file=file, why=str(error)
        ) from error
    return answers


def _check_names(answers: Answers) -> None:
    """Refuse a landmark that nothing is computed from, such as a misspelt one."""
    known = {*KneeLandmark, *LimbLandmark, *BALL_EDGES}
    for landmark in answers.landmark:
        if landmark.name not in known:
            near = difflib.get_close_matches(landmark.name, known, n=1)
            meant = f", perhaps {near[0]}" if near else ""
            raise ValueError(f"there is no landmark {landmark.name!r}{meant}")
