"""The page that lets a person compare methods: one HTML file that needs nothing else."""

from stackkit.report.page import compare_schema, page_of_comparison

__all__ = ["compare_schema", "page_of_comparison"]
