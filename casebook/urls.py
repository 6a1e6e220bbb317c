"""The address space: pages, the API, health."""

from __future__ import annotations

from django.urls import include, path

urlpatterns = [
    path("api/", include("api.urls")),
    path("", include("casebook.ops.urls")),
    path("", include("casebook.web.urls")),
]
