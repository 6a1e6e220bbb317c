"""Health, outside /api: for process supervisors and load balancers."""

from __future__ import annotations

from django.urls import path

from casebook.ops import health

urlpatterns = [
    path("livez", health.livez),
    path("readyz", health.readyz),
]
