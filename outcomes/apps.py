"""What the record says, as a Django application."""

from django.apps import AppConfig
from django.db.models.signals import post_migrate, pre_migrate


class OutcomesConfig(AppConfig):
    name = "outcomes"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from outcomes.models import keeping
        from outcomes.release import backed_up
        from registry.models import triggers

        pre_migrate.connect(triggers.remove, sender=self)
        post_migrate.connect(keeping.install, sender=self)
        backed_up.install()
