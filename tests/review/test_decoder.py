"""Compressed slices are decoded by one helper process, however many are asked for at once."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

import gdcm
import pytest

from meniscal_measure.review.desk import Desk

AT_ONCE = 8


def compress(path: Path) -> None:
    """Write a file again in JPEG lossless (Process 14, Selection Value 1), by GDCM."""
    reader = gdcm.ImageReader()
    reader.SetFileName(str(path))
    assert reader.Read()
    change = gdcm.ImageChangeTransferSyntax()
    change.SetTransferSyntax(gdcm.TransferSyntax(gdcm.TransferSyntax.JPEGLosslessProcess14_1))
    change.SetInput(reader.GetImage())
    assert change.Change()
    writer = gdcm.ImageWriter()
    writer.SetFileName(str(path))
    writer.SetFile(reader.GetFile())
    writer.SetImage(change.GetOutput())
    assert writer.Write()


def children() -> set[str]:
    """Process numbers of the programs that this one has started and that are running."""
    lists = []
    for path in Path("/proc/self/task").glob("*/children"):
        with suppress(FileNotFoundError, ProcessLookupError):  # of a thread that has ended since
            lists.append(path.read_text())
    return set(" ".join(lists).split())


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="counts processes as Linux lists them")
def test_one_decoder_serves_a_whole_session(
    painted: Callable[..., Path],
    open_desk: Callable[..., Desk],
    served: Callable[[Desk], Any],
) -> None:
    plain = open_desk(painted("plain"), store="plain.sqlite")
    study = painted("compressed")
    for path in study.iterdir():
        compress(path)
    expected = {
        index: served(plain).ask(f"tasks/{served(plain).first_task()}/slices/{index}")[1]
        for index in (0, 9)
    }
    client = served(open_desk(study))
    base = f"tasks/{client.first_task()}/slices"
    before = children()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        answers = list(pool.map(lambda index: client.ask(f"{base}/{index % 10}"), range(40)))

    assert {status for status, _ in answers} == {200}
    assert len(children() - before) <= 1  # none where an earlier test started it
    for index, content in expected.items():
        assert answers[index][1] == content
