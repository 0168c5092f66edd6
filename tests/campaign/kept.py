"""Mutants of what holds images or readings together: directories, stores, sets of files, lists."""

from __future__ import annotations

import gc
import hashlib
import json
import random
import shutil
import sqlite3
import warnings
import zlib
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
from pydicom.fileset import FileSet

from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.caliper.reading import Conventions
from meniscal_measure.cohort.entry import Entry
from meniscal_measure.cohort.paper.accuracy_section import read_reference
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.table_export import export_csv, export_table
from meniscal_measure.cohort.task import Outcome, Row, Settings, Status
from meniscal_measure.errors import UnreadableFileError
from meniscal_measure.exchange.pseudonyms import Pseudonyms
from meniscal_measure.exchange.study_without_patient import deidentify_study
from meniscal_measure.records.codec import reading_to_dict
from meniscal_measure.records.journal import Journal, Verdict
from meniscal_measure.records.reading_file import read_reading
from meniscal_measure.records.signed_readings import signed_readings
from meniscal_measure.records.signed_store import SignedStore, TaskKey
from meniscal_measure.review.worklist import open_worklist
from meniscal_measure.series.find_slice import find_slice
from meniscal_measure.series.scan import open_study
from meniscal_measure.workflow import measure, reopen
from meniscal_measure.workflow.knee_reading import KneeReading
from tests.campaign.images import (
    SIZE,
    TOLERANCE_MM,
    ClassicSeries,
    WrongNumberError,
    classic,
    landmarks,
    measured_as_the_header_says,
    multi_frame_objects,
    mutant,
    written,
)
from tests.campaign.mutation import mutated_bytes, mutated_dataset, mutated_tree
from tests.campaign.texts import TextFile
from tests.cohort.stored import counts_of

OTHER_THRESHOLD = Settings(Conventions(threshold_mm=4.0))


class LeakError(Exception):
    """What names the patient stands in an image that was de-identified."""


class Directory:
    """Mutants of a DICOMDIR; the images it names stay as they are."""

    def __init__(self, folder: Path) -> None:
        warnings.simplefilter("ignore")  # pydicom tidies its temporary folder up with a warning
        self.folder, self.disc = folder, folder / "disc"
        file_set = FileSet()
        images = classic()
        for dataset in images:
            dataset.StudyTime, dataset.StudyID = "120000", "1"
            file_set.add(dataset)
        file_set.write(self.disc)
        del file_set
        gc.collect()
        self.content = (self.disc / "DICOMDIR").read_bytes()
        (folder / "landmarks.json").write_text(landmarks(str(images[1].SOPInstanceUID), 1))

    def run(self, dice: random.Random) -> None:
        """Measure by one mutant."""
        path = self.disc / "DICOMDIR"
        path.write_bytes(mutant(self.content, dice, within=len(self.content)))
        measured_as_the_header_says(path, self.folder / "landmarks.json", dice)


class WithoutPatient:
    """Mutants of images from which the patient is taken out."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        images = [classic()[0], *multi_frame_objects()]
        for image in images:
            image.PatientName, image.PatientID = "Quillfeather^Ada", "QF-4711"
            image.ReferringPhysicianName = "Quillfeather^Bo"
            image.PatientComments = "Quillfeather lives next door"
        self.contents = [written(image) for image in images]
        self.pseudonyms = Pseudonyms(b"a key for the campaign")

    def run(self, dice: random.Random) -> None:
        """De-identify one mutant."""
        whole = dice.choice(self.contents)
        path, out = self.folder / "image.dcm", self.folder / "out"
        shutil.rmtree(out, ignore_errors=True)
        is_sound = dice.random() < 0.7
        path.write_bytes(_sound_mutant(whole, dice) if is_sound else mutated_bytes(whole, dice))
        done = deidentify_study(path, out, self.pseudonyms)
        if not done.written:
            raise UnreadableFileError(done.refusals[0].reason)
        for file in out.rglob("*.dcm"):
            head = file.read_bytes()[: -SIZE * SIZE * 2]
            if is_sound and (b"Quillfeather" in head or b"QF-4711" in head):
                raise LeakError("the patient is named in what was written")


def _sound_mutant(whole: bytes, dice: random.Random) -> bytes:
    """A mutant in which names still stand under their own tags."""
    try:
        return written(mutated_dataset(whole, dice))
    except Exception:  # pydicom refuses to write it
        return whole


class ReopenedReading:
    """Mutants of a stored reading, brought together with its images and measured again."""

    def __init__(self, folder: Path) -> None:
        series = ClassicSeries(folder)
        self.study = open_study(series.study)
        self.knee = measure(self.study, landmarks=folder / "landmarks.json")
        self.path = folder / "reading.json"
        self.tree = json.loads(json.dumps(reading_to_dict(self.knee.reading)))

    def run(self, dice: random.Random) -> None:
        """Open one mutant; what is accepted must follow from the landmarks in it."""
        tree = mutated_tree(self.tree, dice)
        self.path.write_bytes(json.dumps(tree).encode("utf-8", "replace"))
        knee = reopen(read_reading(self.path), self.study)
        _check_follows(knee)


def _check_follows(knee: KneeReading) -> None:
    """Work the extrusion out of the landmarks alone, along the line through both rims."""
    reading = knee.reading
    if reading.conventions.axis != "rim_to_rim" or reading.medial is None:
        return
    medial, lateral = (
        reading.measured.landmarks[name] for name in (Compartment.MEDIAL, Compartment.LATERAL)
    )
    rim, edge, other = (
        np.array(placed.point_mm)
        for placed in (medial[Landmark.RIM], medial[Landmark.OUTER_EDGE], lateral[Landmark.RIM])
    )
    expected_mm = float((edge - rim) @ (rim - other) / np.linalg.norm(rim - other))
    stated_mm = reading.medial.extrusion.extrusion_mm
    if abs(stated_mm - expected_mm) > TOLERANCE_MM:
        raise WrongNumberError(f"{stated_mm} mm for {expected_mm} mm")


class SetOfFiles:
    """Mutants of the files of a reading, under the sums written with them."""

    def __init__(self, folder: Path) -> None:
        self.out = folder / "out"
        self.out.mkdir()
        series = ClassicSeries(folder)
        self.reading = measure(series.study, landmarks=folder / "landmarks.json").reading
        content = json.dumps(reading_to_dict(self.reading)).encode()
        sums = f"{hashlib.sha256(content).hexdigest()}  reading.json\n".encode()
        self.contents = {"reading.json": content, "reading.sha256": sums}

    def run(self, dice: random.Random) -> None:
        """Read one mutant; a changed reading is never accepted under unchanged sums."""
        name = dice.choice(list(self.contents))
        for other, content in self.contents.items():
            (self.out / other).write_bytes(content)
        changed = mutated_bytes(self.contents[name], dice)
        (self.out / name).write_bytes(changed)
        read_reading(self.out / "reading.json")
        if name == "reading.json" and changed != self.contents[name]:
            raise WrongNumberError("a reading that was changed is read")


class SignedReadings:
    """Mutants of the store of the review page: of its bytes, and of what was signed in it."""

    def __init__(self, folder: Path) -> None:
        series = ClassicSeries(folder)
        reading = measure(series.study, landmarks=folder / "landmarks.json").reading
        self.signed = {
            "reading": json.loads(json.dumps(reading_to_dict(reading))),
            "rejection": "", "series": {"key": "2.25.2", "words": "series 1"},
            "quality": ["motion"], "remark": "", "flags": {"medial": True}, "reading_time_s": 9.5,
        }  # fmt: skip
        self.path = folder / "signed.sqlite"
        store = SignedStore(self.path, {})
        with store.writing() as connection:
            key = TaskKey("A", "K1", 1)
            Journal(store).append(connection, key, Verdict.MEASURED, self.signed)
        self.content = self.path.read_bytes()

    def run(self, dice: random.Random) -> None:
        """Read one mutant, as the report and as the page do."""
        if dice.random() < 0.4:
            self.path.write_bytes(mutated_bytes(self.content, dice))
        else:
            self.path.write_bytes(self.content)
            self._sign_again(json.dumps(mutated_tree(self.signed, dice), ensure_ascii=False))
        list(signed_readings(self.path))
        Journal(SignedStore(self.path, {})).outcomes()

    def _sign_again(self, content: str) -> None:
        """Put another content under the seal, as somebody who knows how could."""
        columns = "number, reader, knee, round, verdict, signed_at, content, previous"
        with closing(sqlite3.connect(self.path)) as connection, connection:
            connection.execute("DROP TRIGGER signing_is_never_changed")
            row = list(connection.execute(f"SELECT {columns} FROM signing").fetchone())
            row[6] = content
            digest = hashlib.sha256(json.dumps(row, ensure_ascii=False).encode()).hexdigest()
            connection.execute("UPDATE signing SET content = ?, digest = ?", (content, digest))


class CohortStore:
    """Mutants of the store of a cohort: of its bytes, and of a record in it."""

    def __init__(self, folder: Path) -> None:
        series = ClassicSeries(folder)
        self.folder, self.path = folder, folder / "cohort.sqlite"
        self.record = self._measured(series, folder)
        with Store(self.path) as store:
            settings = Settings()
            store.enrol([Entry("S1", str(series.study))])
            run = store.begin_run(settings)
            for task in store.due(settings, retry_refused=False):
                store.append(run, Outcome(task, Status.MEASURED, row=Row.of(self.record)))
        self.content = self.path.read_bytes()

    @staticmethod
    def _measured(series: ClassicSeries, folder: Path) -> Any:
        reading = measure(series.study, landmarks=folder / "landmarks.json").reading
        return json.loads(json.dumps(reading_to_dict(reading)))

    def run(self, dice: random.Random) -> None:
        """Read one mutant in every way the export and the report do."""
        for log in self.folder.glob(f"{self.path.name}-*"):
            log.unlink()
        self.path.write_bytes(self.content)
        if dice.random() < 0.5:
            self.path.write_bytes(mutated_bytes(self.content, dice))
        else:
            record = json.dumps(mutated_tree(self.record, dice)).encode()
            self._put_in(zlib.compress(record))
        with Store.existing(self.path) as store:
            export_csv(store, export_table(store), self.folder / "export.csv")
            counts_of(store), store.last_settings()
        with Store(self.path) as store:
            store.begin_run(OTHER_THRESHOLD)
            for task in store.due(OTHER_THRESHOLD, retry_refused=False):
                store.redecided(task, store.settings_that_measure_like(OTHER_THRESHOLD))

    def _put_in(self, packed: bytes) -> None:
        with closing(sqlite3.connect(self.path)) as connection, connection:
            for (name,) in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'trigger'"
            ).fetchall():
                connection.execute(f"DROP TRIGGER {name}")
            connection.execute("UPDATE document SET record = ?", (packed,))


class NamedSlice:
    """Mutants of what a user names a slice by on the command line."""

    def __init__(self, folder: Path) -> None:
        (self.stack,) = open_study(ClassicSeries(folder).study).stacks

    def run(self, dice: random.Random) -> None:
        """Look for the slice of one mutant; what is found is one of the stack."""
        said = dice.choice(("2", "instance:2", "2.25.101"))
        found = find_slice(self.stack, mutated_bytes(said.encode(), dice).decode("utf-8", "ignore"))
        if found not in range(len(self.stack.frames)):
            raise WrongNumberError(f"slice {found} of {len(self.stack.frames)}")


def work_list(folder: Path) -> TextFile:
    """Mutants of a work list of the review page."""
    text = "knee,study,side,landmarks\nK1,one,left,\nK2,two,right,two/landmarks.json\n"
    return TextFile(folder, text, open_worklist, name="list.csv")


def reference(folder: Path) -> TextFile:
    """Mutants of a table of reference findings."""
    text = "subject,visit,side,finding\nS1,1,left,1\nS2,1,right,0\nS3,1,left,\n"
    return TextFile(folder, text, read_reference)
