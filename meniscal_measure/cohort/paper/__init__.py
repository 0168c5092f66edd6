"""The report of a cohort: what it says, and how it becomes one HTML file or a PDF."""
