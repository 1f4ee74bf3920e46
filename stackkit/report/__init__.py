"""Pages to look at: one self-contained HTML file each."""

from stackkit.report.comparison_page import page_of_comparison
from stackkit.report.night_page import page_of_night

__all__ = ["page_of_comparison", "page_of_night"]
