"""Published populations, rebuilt knee by knee and found again at the end of the pipeline."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from meniscal_measure import workflow
from meniscal_measure.anatomy import Compartment, Landmark
from meniscal_measure.cohort.agreement.group_comparison import GroupSummary, summarise_groups
from meniscal_measure.cohort.manifest import Manifest
from meniscal_measure.cohort.readings import load_readings
from meniscal_measure.cohort.run import Job, run_cohort
from meniscal_measure.cohort.store import Store
from meniscal_measure.cohort.task import carry_out, measure_knee
from meniscal_measure.geometry import unit_vector

# Mean and standard deviation of medial and lateral extrusion, mm, and number of knees:
# Bruns, BMC Musculoskelet Disord 2014;15:32 (118 persons without risk of osteoarthritis);
# J Exp Orthop 2022, doi 10.1186/s40634-022-00474-y (medial, with and without root tear; the
# number of knees is chosen here, and lateral values are those of Bruns).
POPULATIONS = {
    "healthy": (118, (1.64, 0.92), (0.63, 0.73)),
    "root tear": (60, (4.02, 1.12), (0.63, 0.73)),
    "no root tear": (60, (3.11, 1.11), (0.63, 0.73)),
}

BODY_WIDTH_MM = 9.0


@pytest.fixture(scope="module")
def built(samples: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A manifest of knees that share their images and differ in their landmarks."""
    folder = tmp_path_factory.mktemp("population")
    write_landmarks = landmark_writer(samples / "normal")
    rng = np.random.default_rng(2014)
    lines = ["subject,group,path,landmarks"]
    for group, (count, medial, lateral) in POPULATIONS.items():
        for number in range(count):
            extrusions = {"medial": rng.normal(*medial), "lateral": rng.normal(*lateral)}
            name = f"{group.replace(' ', '-')}-{number:03d}"
            write_landmarks(folder / f"{name}.json", extrusions)
            lines.append(f"{name},{group},{samples / 'normal'},{name}.json")
    (folder / "manifest.csv").write_text("\n".join(lines))
    return folder


def landmark_writer(study: Path) -> Callable[[Path, dict[str, float]], None]:
    """Make a function that sets the outer edges so far from the true rims of a sample."""
    knee = workflow.measure(study, landmarks=study / "landmarks.json")
    rims = {
        name: np.array(part.landmarks[Landmark.RIM].point_mm)
        for name, part in knee.reading.measured.compartments.items()
    }
    axis = unit_vector(rims[Compartment.MEDIAL] - rims[Compartment.LATERAL])
    outward = {"medial": axis, "lateral": -axis}
    edge = {name.value: rim for name, rim in rims.items()}

    def write(path: Path, extrusions: dict[str, float]) -> None:
        points: dict[str, object] = {"slice": knee.reading.measured.sop_instance_uid}
        for name, extrusion_mm in extrusions.items():
            outer = edge[name] + extrusion_mm * outward[name]
            points[f"{name}_rim"] = edge[name].tolist()
            points[f"{name}_outer_edge"] = outer.tolist()
            points[f"{name}_free_edge"] = (outer - BODY_WIDTH_MM * outward[name]).tolist()
        path.write_text(json.dumps(points))

    return write


@pytest.fixture(scope="module")
def store(built: Path) -> Path:
    """The knees, measured as a cohort."""
    path = built / "cohort.sqlite"
    progress = run_cohort(
        Manifest(built / "manifest.csv"),
        Job(path),
        carry_out=lambda tasks: (carry_out(task, measure_knee) for task in tasks),
    )
    assert progress.failures == 0
    return path


def summaries(store: Path, compartment: Compartment) -> dict[str, GroupSummary]:
    with Store.existing(store) as opened:
        readings = load_readings(opened, compartment)
    found = summarise_groups(readings.group, readings.extrusion_mm, readings.flag)
    return {summary.group: summary for summary in found}


@pytest.mark.parametrize("group", list(POPULATIONS))
@pytest.mark.parametrize("compartment", [Compartment.MEDIAL, Compartment.LATERAL])
def test_published_mean_and_spread_come_back(
    store: Path, group: str, compartment: Compartment
) -> None:
    count, *published = POPULATIONS[group]
    mean, sd = published[compartment is Compartment.LATERAL]
    summary = summaries(store, compartment)[group]
    assert summary.cases.used == count
    # Four standard errors of a mean and of a standard deviation of normal values.
    assert summary.mean.value == pytest.approx(mean, abs=4 * sd / math.sqrt(count))
    assert summary.sd.value == pytest.approx(sd, abs=4 * sd / math.sqrt(2 * count))


def test_each_knee_is_measured_as_it_was_built(built: Path, store: Path) -> None:
    with Store.existing(store) as opened:
        readings = load_readings(opened, Compartment.MEDIAL)
    drawn = np.random.default_rng(2014)
    expected = [
        values["medial"]
        for count, medial, lateral in POPULATIONS.values()
        for values in (
            {"medial": drawn.normal(*medial), "lateral": drawn.normal(*lateral)}
            for _ in range(count)
        )
    ]
    assert readings.extrusion_mm == pytest.approx(expected, abs=1e-6)


def test_share_flagged_is_that_of_the_published_distribution(store: Path) -> None:
    summary = summaries(store, Compartment.MEDIAL)["healthy"]
    count, (mean, sd), _ = POPULATIONS["healthy"]
    expected = 0.5 * math.erfc((3 - mean) / (sd * math.sqrt(2)))
    tolerance = 4 * math.sqrt(expected * (1 - expected) / count)
    assert summary.flagged.value == pytest.approx(expected, abs=tolerance)
