"""Addresses of the plan, its rules and the spares."""

from django.urls import URLPattern, path

from schedule.views import plan

urlpatterns: list[URLPattern] = [
    path("trains/<int:train>/plan/", plan.plan, name="plan"),
    path("trains/<int:train>/plan/policy/", plan.policy, name="plan-policy"),
    path("trains/<int:train>/plan/renew/", plan.renew, name="plan-renew"),
    path("household/plan/", plan.rules, name="plan-rules"),
    path("spares/", plan.spares, name="spares"),
]
