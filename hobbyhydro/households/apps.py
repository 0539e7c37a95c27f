from django.apps import AppConfig


class HouseholdsConfig(AppConfig):
    name = "hobbyhydro.households"
    label = "households"

    def ready(self) -> None:
        from . import signals  # connects the receivers

        assert signals
