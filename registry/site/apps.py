"""The site as a Django application, so that its commands are found."""

from django.apps import AppConfig, apps
from django.contrib.auth.signals import user_logged_in
from django.db.backends.signals import connection_created
from django.db.models.signals import post_migrate, pre_migrate


class SiteConfig(AppConfig):
    name = "registry.site"
    label = "site"

    def ready(self) -> None:
        from outcomes.release.held import releases_that_hold
        from registry.isolation import middleware, policies, scope
        from registry.rights import given_out
        from registry.site import checks, deploy_checks, migrating  # noqa: F401 - checks register themselves

        given_out.provide(releases_that_hold)
        # Of both apps, once the second is migrated; an app without tables, as this one is, is not told.
        last = apps.get_app_config("outcomes")
        pre_migrate.connect(policies.remove, sender=last)
        post_migrate.connect(policies.install, sender=last)
        connection_created.connect(scope.on_connecting)
        user_logged_in.connect(middleware.on_signing_in)
        migrating.connect()
