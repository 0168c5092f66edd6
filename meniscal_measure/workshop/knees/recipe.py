"""Recipes: readable TOML files that say which knee is imaged, and how.

::

    name = "example"            # becomes the Patient ID
    seed = 7                    # fixes noise, texture and every identifier

    [knee]                      # KneeParameters; what is not named is that of an average knee
    side = "left"
    medial = { body_width_mm = 9.5 }

    [extrusion]                 # exact extrusion on the measured slice, where it matters
    medial_mm = 3.0

    [scanner]                   # ScannerRecipe
    snr = 25.0

    [files]                     # FilesRecipe
    encoding = "jpeg_ls"

    [[series]]                  # SeriesRecipe, one table for each series
    plane = "coronal"
    protocol = "pd_tse_fs"
    slices = 15
    rows = 256
    columns = 256
    row_spacing_mm = 0.55
    column_spacing_mm = 0.55
    thickness_mm = 3.0
    spacing_mm = 3.3
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from meniscal_measure.errors import RecipeError
from meniscal_measure.files import ordinary
from meniscal_measure.workshop.knees.dicom.encode import TransferSyntax
from meniscal_measure.workshop.knees.parameters import EXTRUSION_RANGE_MM, KneeParameters
from meniscal_measure.workshop.knees.recipe_fields import bounded, read_table
from meniscal_measure.workshop.knees.scanner.protocols import ProtocolName
from meniscal_measure.workshop.knees.scanner.sampling import StackPlane

LARGEST_SEED = 2**31 - 1
NAME = re.compile(r"[a-z0-9-]{1,32}")

LARGEST_STUDY_PX = 80_000_000
"""Pixels of all series of a study, which are held in memory together, at some 10 bytes each.

Two isotropic 3-D series of 0.5 mm have that many."""


class FileForm(StrEnum):
    """Kind of DICOM object a series is written as."""

    CLASSIC = "classic"
    ENHANCED = "enhanced"


class FieldStrength(StrEnum):
    """Field strengths for which relaxation times are tabulated."""

    T1_5 = "1.5 T"
    T3 = "3 T"

    @property
    def tesla(self) -> float:
        """Field strength as a number.

        Examples
        --------
        >>> FieldStrength.T1_5.tesla
        1.5
        """
        return float(self.value.removesuffix(" T"))


@dataclass(frozen=True)
class ExtrusionRecipe:
    """Exact extrusion on the measured slice; the profile along the rim is moved to give it."""

    medial_mm: float | None = bounded(*EXTRUSION_RANGE_MM, None)
    lateral_mm: float | None = bounded(*EXTRUSION_RANGE_MM, None)


@dataclass(frozen=True)
class ScannerRecipe:
    """The scanner and what is imperfect about it."""

    field_strength: FieldStrength = FieldStrength.T3
    snr: float = bounded(2.0, 1000.0, 50.0)
    """Signal of cartilage over the noise of one channel."""
    coil_elements: int = bounded(1, 32, 4)
    coil_falloff: float = bounded(0.0, 1.0, 0.6)
    """0 for an even image, 1 for the full fall of sensitivity away from the coil elements."""
    phase_fraction: float = bounded(0.3, 1.0, 0.8)
    """Acquired over shown rows; the rest is zero-filled."""
    frequency_fraction: float = bounded(0.3, 1.0, 1.0)
    ringing_filter: float = bounded(0.0, 1.0, 0.4)
    """Strength of the k-space window that damps Gibbs ringing."""
    motion_mm: float = bounded(0.0, 5.0, 0.0)
    """Largest periodic shift along the columns while lines are acquired: ghosts."""
    motion_period_lines: float = bounded(2.0, 200.0, 9.0)
    chemical_shift: bool = True
    """Whether fat is displaced along the rows."""
    fat_suppression_failure: float = bounded(0.0, 1.0, 0.0)
    """Fraction of the fat signal that returns at the upper edge of the field of view."""
    texture: float = bounded(0.0, 3.0, 1.0)
    """Scale of the variation of signal inside a tissue."""


@dataclass(frozen=True)
class FilesRecipe:
    """How the series are stored."""

    form: FileForm = FileForm.CLASSIC
    encoding: TransferSyntax = TransferSyntax.UNCOMPRESSED
    labels: bool = False
    """Whether the tissue at each pixel is written too, as `series-N-labels.npy`."""


@dataclass(frozen=True)
class SeriesRecipe:
    """One stack of slices."""

    plane: StackPlane
    protocol: ProtocolName
    slices: int = bounded(1, 400)
    rows: int = bounded(64, 1024)
    columns: int = bounded(64, 1024)
    row_spacing_mm: float = bounded(0.1, 3.0)
    column_spacing_mm: float = bounded(0.1, 3.0)
    thickness_mm: float = bounded(0.2, 10.0)
    spacing_mm: float = bounded(0.2, 20.0)
    rotation_deg: tuple[float, float, float] = bounded(-45.0, 45.0, (0.0, 0.0, 0.0))
    """Turns about the patient x, y and z axis."""
    offset_mm: tuple[float, float, float] = bounded(-80.0, 80.0, (0.0, 0.0, 0.0))
    """Shift of the whole stack, LPS."""

    @property
    def pixels(self) -> int:
        """Pixels of the whole stack.

        Examples
        --------
        >>> size = (15, 256, 256, 0.5, 0.5, 3.0, 3.3)
        >>> SeriesRecipe(StackPlane.CORONAL, ProtocolName.PD_TSE_FS, *size).pixels
        983040
        """
        return self.slices * self.rows * self.columns


@dataclass(frozen=True)
class ImagingRecipe:
    """How a knee is imaged and stored, whichever knee it is."""

    scanner: ScannerRecipe
    files: FilesRecipe
    series: tuple[SeriesRecipe, ...]


@dataclass(frozen=True)
class StudyRecipe:
    """Everything that makes one study of one knee."""

    name: str
    seed: int
    knee: KneeParameters
    extrusion: ExtrusionRecipe
    imaging: ImagingRecipe


def read_recipe(path: Path) -> StudyRecipe:
    """Read a study recipe.

    Raises
    ------
    RecipeError
        If the file is not TOML, or a field is missing, unknown or outside its range; the message
        names the field and what is allowed.

    Examples
    --------
    >>> read_recipe(sample.with_suffix(".toml")).name
    'exactly-3mm'
    """
    return parse_recipe(read_toml(path))


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    RecipeError
        If it cannot be read or is not TOML.

    Examples
    --------
    >>> sorted(read_toml(sample.with_suffix(".toml")))
    ['extrusion', 'files', 'knee', 'name', 'scanner', 'seed', 'series']
    """
    try:
        return tomllib.loads(ordinary(path).read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError) as error:  # ValueError: no UTF-8, no TOML
        raise RecipeError(f"Cannot read the recipe {path}: {error}. It must be TOML.") from error


def parse_recipe(document: Mapping[str, Any]) -> StudyRecipe:
    """Turn the tables of a study recipe into records; errors as in `read_recipe`."""
    check_tables(document, required=("name", "seed", "series"), optional=STUDY_TABLES)
    return StudyRecipe(
        name=parse_name(document["name"]),
        seed=parse_seed(document["seed"]),
        knee=read_table(KneeParameters, document.get("knee", {}), "knee"),
        extrusion=read_table(ExtrusionRecipe, document.get("extrusion", {}), "extrusion"),
        imaging=parse_imaging(document),
    )


STUDY_TABLES = ("knee", "extrusion", "scanner", "files")


def parse_imaging(document: Mapping[str, Any]) -> ImagingRecipe:
    """Read the scanner, files and series tables; refuse a study that memory could not hold."""
    tables = document["series"]
    if not isinstance(tables, list) or not tables:
        raise RecipeError("series must be one [[series]] table or more.")
    series = tuple(
        read_table(SeriesRecipe, table, f"series[{index}]") for index, table in enumerate(tables)
    )
    pixels = sum(item.pixels for item in series)
    if pixels > LARGEST_STUDY_PX:
        raise RecipeError(
            f"series have {pixels:,} pixels in all (slices x rows x columns); allowed are up to"
            f" {LARGEST_STUDY_PX:,} in one study."
        )
    return ImagingRecipe(
        scanner=read_table(ScannerRecipe, document.get("scanner", {}), "scanner"),
        files=read_table(FilesRecipe, document.get("files", {}), "files"),
        series=series,
    )


def check_tables(
    document: Mapping[str, Any], *, required: tuple[str, ...], optional: tuple[str, ...]
) -> None:
    """Refuse a recipe whose top level lacks an entry or has one of another name."""
    for name in required:
        if name not in document:
            raise RecipeError(f"The recipe lacks {name}, which must be given.")
    for name in document.keys() - {*required, *optional}:
        allowed = ", ".join((*required, *optional))
        raise RecipeError(f"The recipe has no entry {name!r}. Its entries are: {allowed}.")


def parse_name(given: Any) -> str:
    """Check the name of a knee, which becomes part of its Patient ID.

    Examples
    --------
    >>> parse_name("knee-7")
    'knee-7'
    """
    if not isinstance(given, str) or not NAME.fullmatch(given):
        raise RecipeError(
            f"name is {given!r}; allowed are 1 to 32 lower-case letters, digits and hyphens."
        )
    return given


def parse_seed(given: Any) -> int:
    """Check the seed of a recipe.

    Examples
    --------
    >>> parse_seed(7)
    7
    """
    if not isinstance(given, int) or isinstance(given, bool) or not 0 <= given <= LARGEST_SEED:
        raise RecipeError(f"seed is {given!r}; allowed is a whole number from 0 to {LARGEST_SEED}.")
    return given
