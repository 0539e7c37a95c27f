"""Addresses of the calendar."""

from django.urls import URLPattern, path

from schedule.views import calendar

urlpatterns: list[URLPattern] = [
    path("calendar/", calendar.settings, name="calendar"),
    path("calendar/address/", calendar.rotate, name="calendar-rotate"),
    path("calendar/stop/", calendar.stop, name="calendar-stop"),
    path("calendar/<str:feed_secret>.ics", calendar.read, name="feed"),
]
