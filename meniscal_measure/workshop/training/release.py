"""Put exported networks into the package: `python -m meniscal_measure.workshop.training.release`.

Copies the ONNX files of a folder to `locate/weights/` and lists the checksums of all that lie
there, so that one network can be released without the others.
"""

from __future__ import annotations

import argparse
import hashlib
import shutil
from pathlib import Path

from meniscal_measure import locate

FOLDER = Path(locate.__file__).parent / "weights"
NAMES = ("survey", "survey_b", "margin_a", "margin_b")


def release(source: Path) -> None:
    """Copy the networks and list their SHA-256 in the form `sha256sum --check` reads."""
    lines = []
    for target in (FOLDER / f"{name}.onnx" for name in NAMES):
        if (source / target.name).exists():
            shutil.copyfile(source / target.name, target)
        if target.exists():
            lines.append(f"{hashlib.sha256(target.read_bytes()).hexdigest()}  {target.name}\n")
    (FOLDER / "SHA256SUMS").write_text("".join(lines), encoding="ascii")


def main() -> None:
    """Read the command line and release."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("source", type=Path, help="folder of the ONNX files")
    release(parser.parse_args().source)


if __name__ == "__main__":
    main()
