"""Where the report answers the items of reporting guidelines, and what its authors have to add."""

from __future__ import annotations

from meniscal_measure.cohort.paper.blocks import Table

AUTHORS = "authors"
"""What the program cannot know."""

GRRAS = (
    ("1", "Reliability or agreement named in title or abstract", AUTHORS),
    ("2", "Device or score named and described", "Methods"),
    ("3", "Subject population of interest", f"Table 1; {AUTHORS}"),
    ("4", "Rater population of interest", AUTHORS),
    ("5", "What is known already; rationale", AUTHORS),
    ("6", "How the sample size was chosen", f"cohort sample-size; {AUTHORS}"),
    ("7", "Sampling method", AUTHORS),
    ("8", "Measurement process: time between repeats, training, blinding", f"Methods; {AUTHORS}"),
    ("9", "Whether readings were independent", AUTHORS),
    ("10", "Statistical analysis", "Methods; references of the formulas"),
    ("11", "Numbers of raters, subjects, readings", "Inclusions; agreement of readers"),
    ("12", "Characteristics of raters and subjects", f"Table 1; {AUTHORS}"),
    ("13", "Estimates of reliability and agreement with their uncertainty", "Agreement of readers"),
    ("14", "Practical relevance", AUTHORS),
    ("15", "Detailed results where possible", "Files of tables and plots"),
)
"""Kottner J et al. J Clin Epidemiol 2011;64:96-106; items in our words, from memory."""

STARD = (
    ("1-4", "Title, abstract, background, objectives", AUTHORS),
    ("5", "Prospective or retrospective", AUTHORS),
    ("6-9", "Eligibility, identification, setting, sampling", AUTHORS),
    ("10a", "Index test in detail", "Methods; settings"),
    ("10b-11", "Reference standard and its rationale", AUTHORS),
    ("12a", "Cut-off of the index test, chosen before or from the data",
     "Methods; against the reference"),
    ("12b", "Cut-off of the reference standard", AUTHORS),
    ("13a", "Whether readers of the index test knew the reference", f"Methods; {AUTHORS}"),
    ("13b", "Whether those of the reference knew the index test", AUTHORS),
    ("14", "Estimates of accuracy and their comparison", "Against the reference"),
    ("15-16", "Indeterminate and missing results", "Inclusions; notes below tables"),
    ("17", "Variability of accuracy", "Sensitivity analyses"),
    ("18", "Sample size", f"cohort sample-size; {AUTHORS}"),
    ("19", "Flow of participants", "Inclusions"),
    ("20", "Baseline characteristics", "Table 1"),
    ("21", "Severity in those with and without the condition", f"Distribution; {AUTHORS}"),
    ("22", "Time between index test and reference", AUTHORS),
    ("23", "Cross table of index test and reference", "Against the reference"),
    ("24", "Accuracy with its precision", "Against the reference"),
    ("25", "Adverse events", AUTHORS),
    ("26-30", "Limitations, implications, registration, protocol, funding", AUTHORS),
)  # fmt: skip
"""Bossuyt PM et al. BMJ 2015;351:h5527; items in our words, from memory."""


def checklist_tables(*, against_reference: bool) -> list[Table]:
    """List the items of GRRAS, and of STARD 2015 where there is a reference finding.

    Examples
    --------
    >>> len(checklist_tables(against_reference=True))
    2
    """
    header = ("Item", "What is asked", "Where it is answered")
    note = f'"{AUTHORS}": the program cannot know it; the authors have to write it.'
    found = [Table("GRRAS (Kottner 2011)", header, GRRAS, (note,))]
    if against_reference:
        found.append(Table("STARD 2015 (Bossuyt 2015)", header, STARD, (note,)))
    return found
