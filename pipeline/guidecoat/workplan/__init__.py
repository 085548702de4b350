"""From highs and lows to a work plan: what to tap, fill and block, in which order, till when."""

from .depths import Fill
from .plan import WorkPlan, plan_work

__all__ = ["Fill", "WorkPlan", "plan_work"]
