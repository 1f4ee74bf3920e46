"""Pages that a person looks at: one HTML file each, that needs nothing else."""

from stackkit.report.night import page_of_night
from stackkit.report.page import compare_schema, page_of_comparison

__all__ = ["compare_schema", "page_of_comparison", "page_of_night"]
