"""Addresses of the guided set-up, and of a train's settings, stages and meters."""

from django.urls import URLPattern, path

from cartridges.views import setup, train_settings

urlpatterns: list[URLPattern] = [
    path("setup/", setup.WaterView.as_view(), name="setup-start"),
    path("setup/<int:train>/water/", setup.WaterView.as_view(), name="setup-water"),
    path("setup/<int:train>/train/", setup.TrainView.as_view(), name="setup-train"),
    path("setup/<int:train>/stages/", setup.StagesView.as_view(), name="setup-stages"),
    path("setup/<int:train>/cartridges/", setup.CartridgesView.as_view(), name="setup-cartridges"),
    path("setup/<int:train>/flow/", setup.FlowView.as_view(), name="setup-flow"),
    path("setup/<int:train>/answer/", setup.AnswerView.as_view(), name="setup-answer"),
    path("setup/<int:train>/finish/", setup.FinishView.as_view(), name="setup-finish"),
    path("setup/<int:train>/discard/", setup.discard, name="setup-discard"),
    path("trains/<int:train>/settings/", train_settings.settings, name="train-settings"),
    path("trains/<int:train>/stages/", train_settings.stages, name="stages"),
    path("trains/<int:train>/stages/new/", train_settings.stage_new, name="stage-new"),
    path("stages/<int:stage>/change/", train_settings.stage_change, name="stage-change"),
    path("stages/<int:stage>/move/", train_settings.stage_move, name="stage-move"),
    path("stages/<int:stage>/retire/", train_settings.stage_retire, name="stage-retire"),
    path("trains/<int:train>/meters/", train_settings.meters, name="meters"),
    path("trains/<int:train>/meters/new/", train_settings.meter_new, name="meter-new"),
    path("meters/<int:meter>/remove/", train_settings.meter_remove, name="meter-remove"),
]
