"""Every address of the site, gathered from both apps."""

from django.urls import URLPattern, URLResolver, include, path, re_path

from registry.api.problems import unknown_address
from registry.site.health import health, ready

urlpatterns: list[URLPattern | URLResolver] = [
    path("health/", health, name="health"),
    path("ready/", ready, name="ready"),
    path("api/v1/", include("registry.site.api_urls")),
    re_path("^api(/|$)", unknown_address),
    path("", include("registry.pages.urls")),
    path("", include("outcomes.pages.urls")),
]

handler400 = "registry.site.error_pages.bad_request"
handler500 = "registry.site.error_pages.server_error"
