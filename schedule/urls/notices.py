"""Addresses of what each person is told, and of the links in letters."""

from django.urls import URLPattern, path

from schedule.views import letters, notices

urlpatterns: list[URLPattern] = [
    path("you/notices/", notices.notices, name="notices"),
    path("you/notices/pause/", notices.pause, name="notices-pause"),
    path("you/notices/resume/", notices.resume, name="notices-resume"),
    path("do/<str:errand>/", letters.follow, name="letter-link"),
    path("letters/<str:stop>/stop/", letters.stop, name="letter-stop"),
]
