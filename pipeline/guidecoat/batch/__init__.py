"""A folder of scans worked unattended: found, run, written down, and shown on one page."""

from .jobs import Job, Plan, find_jobs
from .report import BatchOptions, BatchReport, result_places
from .runner import run_batch
from .shop_settings import shop_settings
from .understood import plan_lines

__all__ = [
    "BatchOptions",
    "BatchReport",
    "Job",
    "Plan",
    "find_jobs",
    "plan_lines",
    "result_places",
    "run_batch",
    "shop_settings",
]
