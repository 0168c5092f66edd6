"""How fast instances come from an archive, run by hand in a network namespace of its own:

    unshare --net bash -c "ip link set lo up && python tests/benchmarks/archive_transfer.py"

Stores 1,000 slices in DCMTK's dcmqrscp, which would listen on every address elsewhere, and fetches
them in turn by DCMTK's getscu, by this package, and so on; prints the instances per second of each.
"""

from __future__ import annotations

import copy
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from pydicom.dataset import Dataset

from meniscal_measure.exchange.dimse import DimseArchive
from meniscal_measure.exchange.peer import ArchivedSeries
from tests.exchange.conftest import sample_images
from tests.exchange.servers.conftest import QUERY_PORT, query_archive

INSTANCES, ROUNDS = 1_000, 5


def main() -> None:
    """Print the rates."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with query_archive(folder):
            archive = DimseArchive("127.0.0.1", QUERY_PORT, "ARCHIVE")
            images = many_images()
            lost = [one.reason for one in archive.send(images) if not one.arrived]
            assert not lost, lost[0]
            series = ArchivedSeries(images[0].StudyInstanceUID, images[0].SeriesInstanceUID, "", "")
            rates: dict[str, list[float]] = {"getscu": [], "ours": []}
            for turn in range(ROUNDS):
                rates["getscu"].append(rate(lambda into: by_getscu(series, into), folder, turn))
                rates["ours"].append(
                    rate(lambda into: [*archive.fetch(series, None, into)], folder, turn)
                )
        for who, values in rates.items():
            print(f"{who}: median {statistics.median(values):.0f}, {min(values):.0f} to"
                  f" {max(values):.0f} instances per second")  # fmt: skip
        share = statistics.median(rates["ours"]) / statistics.median(rates["getscu"])
        print(f"share: {share:.0%}")


def many_images() -> list[Dataset]:
    """The slices of a sample again and again, each an instance of its own."""
    samples = sample_images()
    made = []
    for number in range(INSTANCES):
        image = copy.deepcopy(samples[number % len(samples)])
        image.SOPInstanceUID += f".{number}"
        image.file_meta.MediaStorageSOPInstanceUID = image.SOPInstanceUID
        made.append(image)
    return made


def rate(fetch: Callable[[Path], object], folder: Path, turn: int) -> float:
    with tempfile.TemporaryDirectory(dir=folder, prefix=f"turn-{turn}-") as name:
        started = time.perf_counter()
        fetch(Path(name))
        seconds = time.perf_counter() - started
        assert len([*Path(name).iterdir()]) == INSTANCES
    return INSTANCES / seconds


def by_getscu(series: ArchivedSeries, folder: Path) -> None:
    keys = (
        "QueryRetrieveLevel=SERIES",
        f"StudyInstanceUID={series.study_instance_uid}",
        f"SeriesInstanceUID={series.series_instance_uid}",
    )
    subprocess.run(
        [
            *("/usr/bin/getscu", "-S", "-aet", "MENISCAL", "-aec", "ARCHIVE", "-od", folder),
            *("127.0.0.1", str(QUERY_PORT)),
            *(part for key in keys for part in ("-k", key)),
        ],
        check=True,
        capture_output=True,
    )


if __name__ == "__main__":
    main()
