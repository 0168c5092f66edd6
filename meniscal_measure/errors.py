"""The errors of the package: one tree, one exit code each.

::

    MeniscalMeasureError                (exit 3)
    ├── UsageError                      (exit 2)  the command as given cannot be carried out
    │   ├── OutputError                 (exit 2)  the output folder cannot be written
    │   └── StaleStateError             (exit 2)  somebody changed the same thing in the meantime
    └── InputError                      (exit 3)  an input is refused
        ├── UnreadableFileError                   not DICOM, damaged, encrypted, undecodable
        ├── GeometryError                         spacing, orientation or position unusable
        ├── SideError                             the sides given contradict each other
        ├── LandmarkError                         landmarks missing, misplaced or out of order
        ├── EdgeNotFoundError                     no edge where one was to be refined
        ├── RecipeError                           a phantom recipe outside its range
        ├── ManifestError                         lines of a cohort manifest that cannot be used
        ├── AgreementError                        readings that do not allow a statistic
        ├── ArchiveError                          an imaging archive refused what was asked of it
        │   └── ArchiveUnreachableError           it gave no answer; another try may get one
        └── NothingMeasurableError                no series or slice the job can be done on

Every message says what is wrong, with which file or attribute, and what to do about it. What may
identify a patient is a `private` field of the message, see `meniscal_measure.sentences`:

>>> error = InputError("{file:private} has {count} rows.", file="doe.dcm", count=3)
>>> str(error)
'doe.dcm has 3 rows.'
>>> error.words(identifiers=False)
'[left out] has 3 rows.'
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from enum import IntEnum
from typing import Self

from meniscal_measure.sentences import Sentence, SliceName, Value, plain


class ExitCode(IntEnum):
    """Exit codes of the command line program."""

    DONE = 0
    DONE_WITH_REFUSALS = 1
    USAGE = 2
    NOTHING_MEASURABLE = 3


class MeniscalMeasureError(Exception):
    """Base of all errors raised on purpose by this package.

    The message says what is wrong and what to do: a template where values are given, one for each
    of its fields, else plain text.
    """

    exit_code: ExitCode = ExitCode.NOTHING_MEASURABLE

    def __init__(self, message: str, **values: Value) -> None:
        super().__init__(message)
        self.reason = Sentence(message, values) if values else plain(message)
        """The message without the places put in front of it."""
        self.places: tuple[Sentence, ...] = ()

    def within(self, place: str, **values: Value) -> Self:
        """Put a place in front of the message, such as `{file:private}`.

        Examples
        --------
        >>> str(InputError("It holds no image.").within("{file:private}", file="doe.zip"))
        'doe.zip: It holds no image.'
        """
        self.places = (Sentence(place, values), *self.places)
        return self

    def words(self, *, identifiers: bool = True, slice_name: SliceName = str) -> str:
        """Put the error into words, without what may identify the patient if asked to.

        Examples
        --------
        >>> InputError("{file:private} holds no image.", file="doe.zip").words(identifiers=False)
        '[left out] holds no image.'
        """
        parts = (
            part.words(identifiers=identifiers, slice_name=slice_name)
            for part in (*self.places, self.reason)
        )
        return ": ".join(parts)

    def __str__(self) -> str:
        return self.words()


@contextmanager
def prefixed(place: str, **values: Value) -> Iterator[None]:
    """Put a place in front of what is wrong with landmarks or sides there.

    Examples
    --------
    >>> with prefixed("Slice {slice:slice}", slice=4):
    ...     raise LandmarkError("No outer edge is placed.")
    Traceback (most recent call last):
    meniscal_measure.errors.LandmarkError: Slice 4: No outer edge is placed.
    """
    try:
        yield
    except (LandmarkError, SideError) as error:
        error.within(place, **values)
        raise


class UsageError(MeniscalMeasureError):
    """The command, as given, cannot be carried out."""

    exit_code = ExitCode.USAGE


class OutputError(UsageError):
    """A result cannot be written where it was asked for."""


class StaleStateError(UsageError):
    """A change was made on a state that is no longer the newest."""


class InputError(MeniscalMeasureError):
    """An input was refused."""


class UnreadableFileError(InputError):
    """A file is not DICOM, damaged, encrypted or cannot be decoded."""


class GeometryError(InputError):
    """Spacing, orientation or position is missing or unusable."""


class SideError(InputError):
    """The sources of the body side contradict each other."""


class LandmarkError(InputError):
    """Landmarks are missing, outside the image or in an impossible order."""


class EdgeNotFoundError(InputError):
    """There is no edge near the point that was to be moved onto one."""


class RecipeError(InputError):
    """A phantom recipe names a field or a value that is not allowed."""


class ManifestError(InputError):
    """A cohort manifest has lines that cannot be used; the message lists every one."""


class AgreementError(InputError):
    """There are too few readings, or the wrong ones, for the statistic asked for."""


class NothingMeasurableError(InputError):
    """No series or no slice on which the measurement can be made."""

    likely_slice: int | None = None
    """Index of the slice on which a reader should look first, where one is likelier than others."""


class ArchiveError(InputError):
    """An imaging archive refused what was asked of it, or answered what cannot be used."""


class ArchiveUnreachableError(ArchiveError):
    """An imaging archive gave no answer or broke off; another try may get one."""
