"""What the record says, as a Django application."""

from django.apps import AppConfig


class OutcomesConfig(AppConfig):
    name = "outcomes"
    default_auto_field = "django.db.models.BigAutoField"
