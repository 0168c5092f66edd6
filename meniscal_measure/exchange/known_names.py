"""Names and numbers of the persons a file names, found in attributes that no list expects.

PS3.15 Table E.1-1 lists attributes; a site may write a name into any other (E.1.1 holds whoever
de-identifies answerable for those too). What the file itself says of its persons is looked for.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass

from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset

IDENTIFIERS = frozenset(
    {"PatientID", "OtherPatientIDs", "AccessionNumber", "StudyID", "AdmissionID",
     "RequestedProcedureID", "PatientBirthDate"}
)  # fmt: skip
"""Attributes whose whole value is a number or date of the patient."""

LEAST_PART = 3
"""Letters of a name that are looked for inside longer words, such as in "DOEKNEE"."""

LEAST_NUMBER = 4
"""Characters of a number that are looked for inside longer ones."""

LEAST_WORD = 2
"""Characters of a name or number that are looked for as a word of their own."""

TERMS = frozenset({"AE", "CS"})
"""Value representations of defined terms, in which names count as whole words only: "MONO" must not
be found in MONOCHROME2."""


@dataclass(frozen=True)
class KnownNames:
    """Names and numbers of persons, folded to lower case without accents."""

    parts: frozenset[str]
    """Looked for anywhere in a text."""
    words: frozenset[str]
    """Looked for as whole words."""

    @classmethod
    def of(cls, image: Dataset) -> KnownNames:
        """Collect them from every depth of a file.

        Examples
        --------
        >>> image = Dataset()
        >>> image.PatientName, image.PatientID = "Doe^Li", "PN-4711"
        >>> known = KnownNames.of(image)
        >>> sorted(known.parts), sorted(known.words)
        (['doe', 'pn4711'], ['doe', 'li', 'pn4711'])
        """
        names: set[str] = set()
        numbers: set[str] = set()
        for element in image.iterall():
            if element.VR == "PN":
                names.update(word for text in _texts(element) for word in _words(text))
            elif element.keyword in IDENTIFIERS:
                numbers.update(_together(text) for text in _texts(element))
            elif element.keyword == "PersonIdentificationCodeSequence":
                codes = (str(item.get("CodeValue", "")) for item in element.value)
                numbers.update(map(_together, codes))
        numbers |= {date for number in numbers for date in _as_dates(number)}
        return cls(
            frozenset(
                {one for one in names if len(one) >= LEAST_PART}
                | {one for one in numbers if len(one) >= LEAST_NUMBER}
            ),
            frozenset(one for one in names | numbers if len(one) >= LEAST_WORD),
        )

    def are_in(self, element: DataElement) -> bool:
        """Whether a text names one of them.

        Examples
        --------
        >>> known = KnownNames(frozenset({"doe"}), frozenset({"doe", "li"}))
        >>> known.are_in(DataElement("Manufacturer", "LO", "Scanner of J.Doe's"))
        True
        >>> known.are_in(DataElement("Manufacturer", "LO", "Lightning"))
        False
        """
        whole_words = element.VR in TERMS or element.keyword == "CodeValue"
        for text in _texts(element):
            if not self.words.isdisjoint({*_words(text), _together(text)}):
                return True
            if not whole_words and any(part in _together(text) for part in self.parts):
                return True
        return False


def _texts(element: DataElement) -> Iterator[str]:
    values = element.value if element.VM > 1 else [element.value]
    return (str(value) for value in values if value)


def _words(text: str) -> list[str]:
    plain = unicodedata.normalize("NFKD", text)
    folded = "".join(letter for letter in plain if not unicodedata.combining(letter)).casefold()
    return re.findall(r"[^\W_]+", folded)


def _together(text: str) -> str:
    """Join the words: a number or a date is the same however it is divided."""
    return "".join(_words(text))


def _as_dates(number: str) -> tuple[str, ...]:
    """Write a date, year first, also with day or month first."""
    if re.fullmatch(r"(19|20)\d{6}", number) is None:
        return ()
    year, month, day = number[:4], number[4:6], number[6:]
    return day + month + year, month + day + year
