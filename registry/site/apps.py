"""The site as a Django application, so that its commands are found."""

from django.apps import AppConfig


class SiteConfig(AppConfig):
    name = "registry.site"
    label = "site"

    def ready(self) -> None:
        from registry.site import checks  # noqa: F401 - registers the system checks
