"""Addresses of the home page, a train's page and a stage's page."""

from django.urls import URLPattern, path

from cartridges.views import home, stage

urlpatterns: list[URLPattern] = [
    path("", home.home, name="home"),
    path("trains/<int:train>/", home.train, name="train"),
    path("trains/<int:train>/charts/", home.train_charts, name="train-charts"),
    path("trains/<int:train>/recalculate/", home.recalculate, name="recalculate"),
    path("stages/<int:stage>/", stage.stage, name="stage"),
    path("stages/<int:stage>/figures/<str:figure>/", stage.own_figure, name="own-figure"),
    path("figures/<int:figure>/remove/", stage.own_figure_remove, name="own-figure-remove"),
]
