"""Published classes of a tear: arthroscopic type, sub-type by distance, grade of the gap."""

from __future__ import annotations

from meniscal_measure.caliper.decision import is_above, is_at_or_above
from meniscal_measure.knee.answers import TearForm
from meniscal_measure.knee.published import Classes, Published
from meniscal_measure.knee.quantity import TracedQuantity

BEYOND = "beyond the classification"


def class_of(value_mm: float, classes: Classes) -> str:
    """Find the class of a length.

    Examples
    --------
    >>> from meniscal_measure.knee.published import published
    >>> tears = published().classification["radial_tear"]
    >>> [class_of(mm, tears) for mm in (0.0, 3.0, 6.0, 9.0, 9.1)]
    ['2A', '2B', '2C', '2C', 'beyond the classification']
    """
    for name, upper_mm in zip(classes.names, classes.upper_mm, strict=True):
        last = name == classes.names[-1] and classes.last_included
        if not (is_above(value_mm, upper_mm) if last else is_at_or_above(value_mm, upper_mm)):
            return name
    return BEYOND


def classes_within(found: TracedQuantity, classes: Classes) -> tuple[str, ...]:
    """List the classes that the 95 % interval of a length touches, the lowest first."""
    low, high = found.interval95 or (found.value, found.value)
    names = (*classes.names, BEYOND)
    first, last = (names.index(class_of(max(end, 0.0), classes)) for end in (low, high))
    return names[first : last + 1]


def class_words(found: TracedQuantity, classes: Classes, figures: Published) -> str:
    """Say the class of a length, and which others its uncertainty allows."""
    name, possible = class_of(found.value, classes), classes_within(found, classes)
    others = [other for other in possible if other != name]
    doubt = f" (within the uncertainty also {' or '.join(others)})" if others else ""
    source = figures.source[classes.source]
    mark = (classes.mark or source.mark).words
    note = f"; {classes.note}" if classes.note else ""
    return f"{name}{doubt}, after {source.short} ({mark}{note})"


def type_words(form: TearForm, distance: TracedQuantity | None, figures: Published) -> str:
    """Say the arthroscopic type of a tear whose form a reader named."""
    source = figures.source[figures.tear_type["source"]]
    if form is TearForm.COMPLETE_RADIAL and distance is not None:
        named = class_words(distance, figures.classification["radial_tear"], figures)
        return f"Arthroscopic type by distance from the attachment: {named}."
    kind = figures.tear_type[form.value]
    return (
        f"Arthroscopic type {kind} ({form.value.replace('_', ' ')}, as the reader named it), after"
        f" {source.mention}."
    )
