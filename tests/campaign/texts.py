"""Mutants of the text files the program reads."""

from __future__ import annotations

import io
import json
import random
import tomllib
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from meniscal_measure.cohort.manifest import Manifest
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.records.landmark_file import read_landmarks
from meniscal_measure.records.reading_file import read_reading
from meniscal_measure.series.scan import open_study
from meniscal_measure.workflow import measure
from meniscal_measure.workshop.knees.recipe import parse_recipe, read_recipe
from meniscal_measure.workshop.knees.synthetic_cohort import parse_cohort_recipe, read_cohort_recipe
from tests.campaign.images import MEASURED, ClassicSeries, classic, landmarks
from tests.campaign.mutation import mutated_bytes, mutated_text, mutated_tree

SAMPLES = Path(__file__).parents[2] / "sample_phantoms"


class TextFile:
    """Mutants of a text file: of its structure, and of its letters."""

    def __init__(
        self,
        folder: Path,
        text: str,
        read: Callable[[Path], object],
        tree: Any = None,
        *,
        name: str = "input",
    ) -> None:
        self.path = folder / name
        self.text, self.tree, self.read = text, tree, read

    def run(self, dice: random.Random) -> None:
        """Read one mutant."""
        if self.tree is not None and dice.random() < 0.7:
            content = json.dumps(mutated_tree(self.tree, dice)).encode("utf-8", "replace")
        elif dice.random() < 0.3:
            content = mutated_bytes(self.text.encode(), dice)
        else:
            content = mutated_text(self.text, dice).encode("utf-8", "replace")
        self.path.write_bytes(content)
        self.read(self.path)


class Recipe(TextFile):
    """Mutants of a recipe, as tables and as TOML."""

    def __init__(
        self, folder: Path, file: str, read: Callable[[Path], object], parse: Callable[[Any], Any]
    ) -> None:
        text = (SAMPLES / file).read_text("utf-8")
        super().__init__(folder, text, read)
        self.tables, self.parse = tomllib.loads(text), parse

    def run(self, dice: random.Random) -> None:
        """Read one mutant."""
        if dice.random() < 0.7:
            self.parse(mutated_tree(self.tables, dice))
        else:
            super().run(dice)


def recipe(folder: Path) -> Recipe:
    """Mutants of a study recipe."""
    return Recipe(folder, "root-tear.toml", read_recipe, parse_recipe)


def cohort_recipe(folder: Path) -> Recipe:
    """Mutants of a cohort recipe."""
    return Recipe(folder, "cohort.toml", read_cohort_recipe, parse_cohort_recipe)


def manifest(folder: Path) -> TextFile:
    """Mutants of a cohort manifest."""
    (folder / "knee").mkdir()
    text = "subject,path,visit,side,group,landmarks,reader,repeat,series,exclude\n" + "".join(
        f"S{n},knee,{n},left,A,,,1,1,\n" for n in range(1, 4)
    )
    return TextFile(folder, text, lambda path: list(Manifest(path)))


def landmark_json_file(folder: Path) -> TextFile:
    """Mutants of a landmark file in JSON."""
    text = (SAMPLES / "normal" / "landmarks.json").read_text("utf-8")
    return TextFile(folder, text, read_landmarks, json.loads(text))


def landmark_csv_file(folder: Path) -> TextFile:
    """Mutants of a landmark file in CSV."""
    text = "slice,landmark,column,row,sd_mm\n" + "".join(
        f"7,{name},{100 + n}.5,120,0.2\n"
        for n, name in enumerate(("medial_rim", "medial_outer_edge", "lateral_rim"))
    )
    return TextFile(folder, text, read_landmarks)


class PlacedLandmarks:
    """Mutants of a landmark file, measured on good images."""

    def __init__(self, folder: Path) -> None:
        self.series = ClassicSeries(folder)
        self.study = open_study(self.series.study)
        uid = str(classic()[MEASURED].SOPInstanceUID)
        self.path = folder / "placed.json"
        self.tree = json.loads(landmarks(uid, MEASURED))

    def run(self, dice: random.Random) -> None:
        """Measure one mutant."""
        text = json.dumps(mutated_tree(self.tree, dice))
        self.path.write_text(text, encoding="utf-8", errors="replace")
        measure(self.study, landmarks=self.path)


def reading_file(folder: Path) -> TextFile:
    """Mutants of a stored reading."""
    series = ClassicSeries(folder)
    reading = measure(series.study, landmarks=folder / "landmarks.json").reading
    record = reading_to_dict(reading)
    return TextFile(
        folder, json.dumps(record), lambda path: reading_to_dict(read_reading(path)), record
    )


class Archive:
    """Mutants of a zip archive of a good series."""

    def __init__(self, folder: Path) -> None:
        series = ClassicSeries(folder)
        self.path = folder / "study.zip"
        self.contents = {}
        for method in (
            zipfile.ZIP_STORED,
            zipfile.ZIP_DEFLATED,
            zipfile.ZIP_LZMA,
            zipfile.ZIP_BZIP2,
        ):
            stream = io.BytesIO()
            with zipfile.ZipFile(stream, "w", method) as archive:
                for file in sorted(series.study.iterdir()):
                    archive.writestr(file.name, file.read_bytes())
            self.contents[method] = stream.getvalue()

    def run(self, dice: random.Random) -> None:
        """Open one mutant."""
        content = self.contents[dice.choice(list(self.contents))]
        if dice.random() < 0.5:  # the directory at the end
            head = max(0, len(content) - 400)
            content = content[:head] + mutated_bytes(content[head:], dice)
        else:
            content = mutated_bytes(content, dice)
        self.path.write_bytes(content)
        open_study(self.path)
