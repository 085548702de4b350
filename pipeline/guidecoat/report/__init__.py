"""report.html: the whole result on one page that needs nothing else and fetches nothing."""

from .check_report import check_page
from .views import ReportPage

__all__ = ["ReportPage", "check_page"]
