from django.apps import AppConfig
from django.db.models.signals import post_migrate, post_save


class CartridgesConfig(AppConfig):
    name = "cartridges"

    def ready(self) -> None:
        from hobbyhydro.households.models import Household

        from .services.estimates import mark_stale_for
        from .starter_set import keep_starter_set

        post_migrate.connect(keep_starter_set, sender=self, dispatch_uid="starter set")
        post_save.connect(mark_stale_for, sender=Household, dispatch_uid="caution")
