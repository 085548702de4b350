"""report.html: the whole result on one page that needs nothing else and fetches nothing."""

from .check_report import ReportPage, check_page

__all__ = ["ReportPage", "check_page"]
