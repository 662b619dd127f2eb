"""Every address of the site, gathered from both apps."""

from django.urls import URLPattern, URLResolver, include, path

from registry.site.health import health

urlpatterns: list[URLPattern | URLResolver] = [
    path("health/", health, name="health"),
    path("", include("registry.pages.urls")),
    path("", include("outcomes.pages.urls")),
]
