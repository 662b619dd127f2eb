"""The site as in production, with pages that break on purpose beside its own."""

from registry.site.settings import *  # noqa: F403

ROOT_URLCONF = "tests.site.canary_urls"
# No manifest has been collected for the tests.
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
