"""The record as a Django application."""

from django.apps import AppConfig
from django.db.models.signals import post_migrate, pre_migrate


class RegistryConfig(AppConfig):
    name = "registry"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from registry.models import triggers
        from registry.signing_in import account_log, confirming  # noqa: F401 - note who signs in and out

        pre_migrate.connect(triggers.remove, sender=self)
        post_migrate.connect(triggers.install, sender=self)
