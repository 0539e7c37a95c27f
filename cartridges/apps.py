from django.apps import AppConfig
from django.db.models.signals import post_migrate


class CartridgesConfig(AppConfig):
    name = "cartridges"

    def ready(self) -> None:
        from .starter_set import keep_starter_set

        post_migrate.connect(keep_starter_set, sender=self, dispatch_uid="starter set")
