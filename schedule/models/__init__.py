"""Everything that is kept about plan, chores, notices and calendar."""

from .chore import Chore, ChoreTurn
from .notice import (
    CalendarEvent,
    Delivery,
    FeedToken,
    Letter,
    Notice,
    NoticeKind,
    NoticeWishes,
)
from .plan import PlannedSwap, PlannedVisit, PlanRules, PlanSummary

__all__ = [
    "CalendarEvent",
    "Chore",
    "ChoreTurn",
    "Delivery",
    "FeedToken",
    "Letter",
    "Notice",
    "NoticeKind",
    "NoticeWishes",
    "PlanRules",
    "PlanSummary",
    "PlannedSwap",
    "PlannedVisit",
]
