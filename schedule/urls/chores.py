"""Addresses of chores and their turns."""

from django.urls import URLPattern, path

from schedule.views import chores, turns

urlpatterns: list[URLPattern] = [
    path("chores/", chores.overview, name="chores"),
    path("chores/new/", chores.new, name="chore-new"),
    path("chores/<int:chore>/", chores.chore, name="chore"),
    path("chores/<int:chore>/edit/", chores.edit, name="chore-edit"),
    path("chores/<int:chore>/pause/", chores.pause, name="chore-pause"),
    path("chores/<int:chore>/resume/", chores.resume, name="chore-resume"),
    path("chores/<int:chore>/remove/", chores.remove, name="chore-remove"),
    path("chores/<int:chore>/bring-back/", chores.bring_back, name="chore-bring-back"),
    path("chores/turns/<int:turn>/done/", turns.done, name="chore-done"),
    path("chores/turns/<int:turn>/skip/", turns.skip, name="chore-skip"),
    path("chores/turns/<int:turn>/put-off/", turns.put_off, name="chore-put-off"),
    path("chores/turns/<int:turn>/reopen/", turns.reopen, name="chore-reopen"),
]
