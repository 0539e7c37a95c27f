"""Addresses of plan, chores, notices and calendar, one module a part of the work."""

from . import calendar, chores, labels, notices, plan

urlpatterns = [
    *plan.urlpatterns,
    *chores.urlpatterns,
    *notices.urlpatterns,
    *calendar.urlpatterns,
    *labels.urlpatterns,
]
