"""Evidence that the images of a reading belong to another patient, subject or visit."""

from __future__ import annotations

from collections import defaultdict

from meniscal_measure.cohort.store import Store
from meniscal_measure.findings import Code, Finding

MOST_NAMED = 3
"""Other visits with the same images that a finding names."""


def identity_doubts(store: Store) -> dict[str, tuple[Finding, ...]]:
    """Find measured readings whose images may be of another patient, subject or visit.

    Parameters
    ----------
    store
        The store of the cohort.

    Returns
    -------
    dict
        By key of the entry; readings without such evidence are not in it. Patients are
        compared where their marks were stored, which earlier versions did not do.
    """
    found: defaultdict[str, list[Finding]] = defaultdict(list)
    for key, subject, attributes in store.of_several_patients():
        values = {"subject": subject, "attributes": " and ".join(attributes)}
        found[key].append(Finding(Code.OTHER_PATIENT, values))
    owners = defaultdict(list)
    for key, images, subject, visit in store.with_images_of_another():
        owners[images].append((key, f"{subject} at visit {visit}" if visit else subject))
    for same in owners.values():
        distinct = list(dict.fromkeys(owner for _, owner in same))
        for key, owner in same:
            others = [other for other in distinct[: MOST_NAMED + 1] if other != owner][:MOST_NAMED]
            left = len(distinct) - 1 - len(others)
            named = ", ".join(others + ([f"{left} more"] if left else []))
            values = {"owner": owner, "others": named}
            found[key].append(Finding(Code.IMAGES_OF_ANOTHER, values))
    return {key: tuple(findings) for key, findings in found.items()}
