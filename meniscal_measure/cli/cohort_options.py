"""Options that several commands of `cohort` share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

ManifestPath = Annotated[
    Path,
    typer.Argument(
        metavar="MANIFEST",
        help="Table of what to measure, CSV or Parquet: subject, path, and if wanted visit, side,"
        " group, landmarks, reader, repeat, series, exclude.",
    ),
]
StorePath = Annotated[
    Path, typer.Option("--store", help="File that keeps the readings; created if needed.")
]
STORE = Path("cohort.sqlite")
