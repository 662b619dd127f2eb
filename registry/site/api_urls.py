"""Addresses of the API, version 1, gathered from both apps."""

from django.urls import URLPattern, URLResolver, include, path

from registry.api.document import Document, DocumentPage

urlpatterns: list[URLPattern | URLResolver] = [
    path("", include("registry.api.urls")),
    path("", include("outcomes.api.urls")),
    path("", DocumentPage.as_view(), name="api_document"),
    path("openapi.json", Document.as_view(), name="api_openapi"),
]
