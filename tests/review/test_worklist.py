"""What is taken for one knee, and what for many."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from meniscal_measure.anatomy import Side
from meniscal_measure.errors import ManifestError, UsageError
from meniscal_measure.review.worklist import Knee, open_worklist


def test_a_study_is_one_knee_with_the_landmarks_that_lie_in_it(samples: Path) -> None:
    study = samples / "normal"

    assert open_worklist(study) == (Knee("normal", study, None, study / "landmarks.json"),)


def test_a_folder_of_studies_is_one_knee_for_each(samples: Path, tmp_path: Path) -> None:
    for name in ("normal", "root-tear"):
        shutil.copytree(samples / name, tmp_path / name)

    assert [knee.name for knee in open_worklist(tmp_path)] == ["normal", "root-tear"]


def test_archives_beside_each_other_are_knees_of_their_own(samples: Path, tmp_path: Path) -> None:
    for name in ("normal", "root-tear"):
        shutil.make_archive(str(tmp_path / name), "zip", samples / name / "series-1")

    assert [knee.study.name for knee in open_worklist(tmp_path)] == ["normal.zip", "root-tear.zip"]


def test_series_folders_of_one_study_are_one_knee(samples: Path, tmp_path: Path) -> None:
    for series in ("coronal", "again"):
        shutil.copytree(samples / "normal" / "series-1", tmp_path / series)

    assert len(open_worklist(tmp_path)) == 1


def test_a_work_list_names_paths_from_its_own_folder(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("knee,study,side,landmarks\nK1,one,left,one.json\nK2,two,,\n")

    assert open_worklist(path) == (
        Knee("K1", tmp_path / "one", Side.LEFT, tmp_path / "one.json"),
        Knee("K2", tmp_path / "two"),
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name,study\nK1,one\n", r"first line must name the columns knee,study,side,landmarks"),
        ("knee,study,study\nK1,one,two\n", r"must name the columns .*, each once"),
        ("knee,study\nK1,one\nK1,two\n", r"line 2: knee 'K1' is listed more than once; line 3"),
        ("knee,study,side\nK1,one,both\n", r"line 2: side 'both' must be left, right or empty"),
        ("knee,study\nK1,\n,two\n", r"line 2 must name .*; line 3 must name a knee and a study"),
        ("knee,study\nK1,one,left\n", r"line 2 must .* have no further column"),
        ("knee,study\n", r"it lists no knee"),
    ],
)
def test_every_line_that_cannot_be_used_is_named(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "list.csv"
    path.write_text(text)

    with pytest.raises(ManifestError, match=said):
        open_worklist(path)


def test_nothing_at_the_path_is_said(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"There is nothing at .*absent"):
        open_worklist(tmp_path / "absent")
