"""Every address of the site, gathered from both apps."""

from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path("", include("registry.pages.urls")),
    path("", include("outcomes.pages.urls")),
]
