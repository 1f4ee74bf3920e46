"""Pages that a person looks at: one HTML file each, that needs nothing else."""

from stackkit.report.comparison_page import page_of_comparison
from stackkit.report.night_page import page_of_night

__all__ = ["page_of_comparison", "page_of_night"]
