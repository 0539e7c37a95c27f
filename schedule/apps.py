from django.apps import AppConfig


class ScheduleConfig(AppConfig):
    name = "schedule"

    def ready(self) -> None:
        from . import receivers

        receivers.connect()
